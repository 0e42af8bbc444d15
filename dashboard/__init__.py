"""The page: live picture, runs, and one run, in a browser on this machine."""
