"""Reports from a log: plain columns in, figures and a page out.

The runtime reads the log and passes its columns; nothing here opens a log,
an instrument or a socket, and nothing here decides.
"""
