"""What was published on the change of an index with an intervention: context, never a verdict."""

from __future__ import annotations

_FLUID = (
    "in 402 patients during surgery the change of {} with fluid followed that of cardiac output with an area "
    "of only 0.64 to 0.70 (Le Manach and others, Anesthesiology 2012;117:1165-1174, abstract)"
)
_PUBLISHED: dict[tuple[str, str], str] = {
    **{
        ("fluid", name): _FLUID.format(words)
        for name, words in (
            ("sbp", "systolic pressure"),
            ("dbp", "diastolic pressure"),
            ("mbp", "mean pressure"),
            ("pp", "pulse pressure"),
        )
    },
    ("fluid", "ppv"): (
        "in 402 patients during surgery a fall by 3 points or more went with a rise of cardiac output "
        "above 15 % (sensitivity 90 %, specificity 77 %), and from 2.2 to 4.7 points nothing can be said "
        "(Le Manach and others, Anesthesiology 2012;117:1165-1174, abstract)"
    ),
    ("leg_raise", "pp"): (
        "over 8 studies and 432 leg raises it had a sensitivity of 0.56, a specificity of 0.83 and an area "
        "of 0.77 for what measured flow showed with 0.85, 0.91 and 0.95: a small change proves little "
        "(Monnet, Marik and Teboul, Intensive Care Med 2016;42:1935-1947)"
    ),
    ("tidal_volume_challenge", "ppv"): (
        "from 6 to 8 mL/kg a rise by 3.5 points was published as threshold (46 patients, PMC8286417; first "
        "by Myatra and others, Crit Care Med 2017;45:415-421, from memory), and by 2 points in stiff lungs "
        "(76 patients, BMC Anesthesiol 2022, doi:10.1186/s12871-022-01676-8): they differ"
    ),
    ("tidal_volume_challenge", "svv"): (
        "from 6 to 8 mL/kg a rise by 2.5 points was published as threshold (Myatra and others, Crit Care "
        "Med 2017;45:415-421, from memory)"
    ),
}


def published_context(kind: str, index: str) -> str:
    """
    Say what was published on an index and an intervention.

    Parameters
    ----------
    kind : str
        Kind of the event, for instance "leg_raise".
    index : str
        Name of the index; variants such as ``ppv_<method>`` go with ``ppv``.

    Returns
    -------
    str
        A sentence with its source; empty where nothing was gathered.

    Examples
    --------
    >>> published_context("apnoea", "pp")
    ''
    """
    base = index.partition("_")[0] if index.startswith(("ppv_", "svv_")) else index
    return _PUBLISHED.get((kind, base), "")
