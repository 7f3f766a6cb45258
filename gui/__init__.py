"""The desktop: a window on a running service, on a rehearsal, or on the log of a finished run."""
