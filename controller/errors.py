"""The error tree: caller's mistakes, device faults, and failed runs."""


class DifftoneError(Exception):
    """Base of every error that this project raises on purpose."""


class InputError(DifftoneError):
    """A caller's mistake: bad file, key, value or option (exit status 2)."""


class RunFailed(DifftoneError):
    """A run that could not do its job, with the reason (exit status 1)."""


class InstrumentError(DifftoneError):
    """Base of what an instrument may report."""


class StreamTimeout(InstrumentError):
    """No block arrived in time; the next read may succeed."""


class StreamEnded(InstrumentError):
    """The stream is over: a recording or a rehearsal came to its end."""


class InstrumentFault(InstrumentError):
    """The instrument failed for good; the run has to end."""


class ToneRefused(InstrumentError):
    """A tone was not set; the channel keeps what it had."""


class ServiceError(DifftoneError):
    """Base of what a client of the service may meet."""


class ServiceRefused(ServiceError):
    """The service answered no, with its reason."""


class ServiceUnreachable(ServiceError):
    """The service gave no answer in time; what was asked may have been done or not."""
