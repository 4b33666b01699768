"""hemoidx: from an arterial line to numbers that can be believed."""

__version__ = "0.1.0"
