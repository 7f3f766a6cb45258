"""The log of a run: one SQLite file, written as the run goes.

`schema.sql` describes the file. `writer` fills it, `reader` reads it (also
while it is written, and after the run was killed), `export` makes
`tracks.csv` of it. Nothing here computes; `controller.runtime.summary` does.
"""

FORMAT_VERSION = 2
APPLICATION_ID = 0x44746F6E  # "Dton" in the file's header, as in schema.sql
