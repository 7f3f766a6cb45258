"""The two loops of a replay: lines that share a baseband, and lines that filters part.

    close: down-converter -> first fit of both lines -> `tracking.close_pair` -> smoothing
    far:   the loop of `controller.engine` without tones

Nothing of a recording is lost to the time that finding takes: both loops go
back to where they began to listen once they know the lines. Both leave
`results["lines"]`: mean frequencies, difference and decay times with their
uncertainties. Samples in, records out: no file, no clock.
"""
