"""What a line carries, told from its bytes alone: wire, layout, rate, and a bench file to start from."""
