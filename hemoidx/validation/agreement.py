"""How far two methods agree."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def percentage_error(spread: ArrayLike, mean_reference: ArrayLike) -> NDArray[np.float64]:
    """
    Half the width of the limits of agreement, as a share of the mean of the reference.

    Parameters
    ----------
    spread : array_like
        Standard deviation of the differences [any unit].
    mean_reference : array_like
        Mean of the reference method, not of both [same unit].

    Returns
    -------
    ndarray
        100 * 1.96 * spread / mean_reference [%].

    References
    ----------
    .. [1] Critchley LAH, Critchley JAJH. J Clin Monit Comput 1999;15:85-91 (as told by Peyton 2010).

    Examples
    --------
    >>> percentage_error(0.8, 5.0).round(2).item()
    31.36
    """
    return 196.0 * np.asarray(spread, dtype=np.float64) / np.asarray(mean_reference, dtype=np.float64)
