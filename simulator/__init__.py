"""A simulated motor bench that streams like a microcontroller, and knows the truth."""
