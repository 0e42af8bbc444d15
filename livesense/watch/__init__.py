"""Rules in, events out: the same code for a live stream and for a stored run."""
