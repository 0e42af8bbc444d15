"""Bytes from a port, a socket, a file or a pipe.

``address`` tells what a user's text names, ``sources`` opens it, ``reader`` is the thread
that does nothing but read, ``queue`` what lies between it and the worker, ``ports`` the list
of what is there. Nothing is imported here, so that a command that only parses an address stays light.
"""
