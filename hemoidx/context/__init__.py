"""What people know and the samples do not: context, marked events, corrections by hand."""

from .edits import Edits
from .intervals import Context

__all__ = ["Context", "Edits"]
