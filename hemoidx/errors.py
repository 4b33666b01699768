"""Errors that users meet: one plain sentence that says what was wrong, where, and what to do."""


class HemoidxError(Exception):
    """Base of all errors raised on purpose by hemoidx."""


class InputError(HemoidxError, ValueError):
    """Something that was passed in, or read, cannot be used."""


class UnitError(InputError):
    """A unit is missing, unknown, or not one of pressure."""


class DataUnavailableError(HemoidxError, LookupError):
    """A recording, a file or a channel is not where it was looked for."""
