"""The log of a run: one SQLite file, or a few, written as the run goes.

`schema.sql` describes the file. `writer` fills it; `thread` does so in a
thread of its own, and `keeper` piece after piece (`pieces`) and through full
disks. `reader` reads it, also while it is written and after the run was
killed; `export` and `hdf5` make other files of it. Nothing here computes;
`controller.runtime.summary` does.
"""

FORMAT_VERSION = 3
READABLE_VERSIONS = (2, 3)  # 2: before there were pieces
APPLICATION_ID = 0x44746F6E  # "Dton" in the file's header, as in schema.sql
