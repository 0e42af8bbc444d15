"""A recorded run, sent once more as its device sent it: codes, counters with their jumps, pace."""
