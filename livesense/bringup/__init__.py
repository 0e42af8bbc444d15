"""Bring-up of a drive, stage by stage: what to do, what is expected, and a verdict with its numbers."""
