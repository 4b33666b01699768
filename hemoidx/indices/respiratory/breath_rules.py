"""When a swing over breaths counts as measured, and what limits it as a sign of preload dependence."""

from __future__ import annotations

from dataclasses import replace

from ..rules import CAUTION, REJECTED, STATIC_LINE, Limit, Rule, When, caution, reject, undocumented
from .breathing import BREATH_RULES

LEAST_TIDAL_VOLUME = 8.0
"""Tidal volume [mL/kg predicted body weight] below which a small variation says nothing."""
LEAST_BEATS_PER_BREATH = 3.6
"""Beats a breath below which the variation disappears."""
LEAST_COMPLIANCE = 30.0
"""Compliance of the respiratory system [mL/cmH2O] below which a small variation says nothing."""
RAISED_ABDOMINAL_PRESSURE = 12.0
"""Pressure in the abdomen [mmHg] from which on it is called raised."""

UNCOVERED = 0.01
"""Share of a breath that may lie outside sound beats: none but for rounding."""
UNEVEN = 0.125
"""
RMSSD over the mean interval, premature beats left out, beyond which a window has no respiratory variation:
our convention. In simulated windows it lay at 0.01 to 0.02 with a ventilator, at most at 0.12 with a sinus
arrhythmia of 10 % either way, and from 0.14 up in atrial fibrillation whose intervals scatter by only 12 %.
"""
FOLDED_BEATS = 2.0
"""Beats a breath below which a swing cannot be told from one of another rate."""

MICHARD_2000 = (
    "Michard F, Boussat S, Chemla D, Anguel N, Mercat A, Lecarpentier Y, Richard C, Pinsky MR, Teboul JL. "
    "Relation between respiratory changes in arterial pulse pressure and fluid responsiveness in septic "
    "patients with acute circulatory failure. Am J Respir Crit Care Med 2000;162:134-138. "
    "doi:10.1164/ajrccm.162.1.9903035"
)
PEREL_1987 = (
    "Perel A, Pizov R, Cotev S. Systolic blood pressure variation is a sensitive indicator of hypovolemia in "
    "ventilated dogs subjected to graded hemorrhage. Anesthesiology 1987;67:498-502. "
    "doi:10.1097/00000542-198710000-00009"
)
MONNET_2016 = (
    "Monnet X, Marik PE, Teboul JL. Prediction of fluid responsiveness: an update. Ann Intensive Care "
    "2016;6:111, Table 2. doi:10.1186/s13613-016-0216-7"
)
DE_BACKER_2005 = (
    "De Backer D, Heenen S, Piagnerelli M, Koch M, Vincent JL. Pulse pressure variations to predict fluid "
    "responsiveness: influence of tidal volume. Intensive Care Med 2005;31:517-523. "
    "doi:10.1007/s00134-005-2586-4 (the figure 8 seen in later papers)"
)
DE_BACKER_2009 = (
    "De Backer D, Taccone FS, Holsten R, Ibrahimi F, Vincent JL. Influence of respiratory rate on stroke "
    "volume variation in mechanically ventilated patients. Anesthesiology 2009;110:1092-1097. "
    "doi:10.1097/ALN.0b013e31819db2a1 (the figure 3.6 seen in Ann Intensive Care 2016;6:111)"
)

#: The swing is one of regular beats over complete breaths.
REGULAR = (
    *BREATH_RULES[:-1],
    *reject("irregular_rhythm", "alternating", "mechanical_support"),
    *reject("ectopic", "near_event", tables=("breaths",)),
    Rule(
        REJECTED,
        When(column="rmssd_over_mean", above=UNEVEN, tables=("windows",)),
        f"successive intervals differ by more than {100 * UNEVEN:g} % of their mean (root mean square), and "
        "filling and pulse with them",
    ),
    Rule(
        REJECTED,
        When(column="uncovered_share", above=UNCOVERED, tables=("breaths",)),
        "in a part of the breath a beat is missing, comes early or follows one that does",
    ),
    Rule(
        REJECTED,
        When(column="beats_per_breath", below=FOLDED_BEATS, tables=("breaths", "windows")),
        "with fewer than two beats a breath the swing cannot be told from one of another rate",
    ),
    *caution("sampling_rate_low", "coarse_steps"),
    *undocumented("breathing_from_pressure"),
)
#: Rules of a swing between the highest and the lowest beat of a breath.
SWING_RULES = (
    *REGULAR,
    Rule(
        REJECTED,
        When(facts=("slow_waves",)),
        "slow waves of the pressure are stronger than breathing and widen the swing: by 1 to 2 points where "
        "they are as strong, by 3 to 8 where they are two to three times as strong (simulated at 12 to "
        "15/min)",
    ),
    Rule(
        CAUTION,
        When(column="beats_per_breath", below=4.0, tables=("breaths", "windows")),
        "with fewer than four beats a breath the beats show on average less than 90 % of a sinusoidal swing, "
        "and a single breath of four may hide 29 % of it, one of three 25 %",
    ),
    Rule(
        CAUTION,
        When(column="beats_per_breath", below=3.3, tables=("breaths", "windows")),
        "with three beats a breath, or fewer, the value depends on where one breath is cut from the next: "
        "with breaths read off the pressure it was 1 point higher on average, 3 at most (simulated)",
    ),
)

#: Faults of zero and level, of what does not cancel an offset. The error itself stands in windows and above;
#: in a breath the beats that it rejects are missing.
OFFSET_RULES = tuple(
    replace(rule, when=replace(rule.when, tables=("windows", "record"))) if rule.when.column else rule
    for rule in STATIC_LINE
)

_USE = "sign of preload dependence"

#: What limits the reading of respiratory variation, by condition.
PRELOAD: dict[str, Limit] = {
    "spontaneous": Limit(
        _USE,
        "may read high",
        "breathing is spontaneous, and efforts of one's own move pressure at any preload",
        When(column="context.breathing", one_of=("spontaneous",)),
        MONNET_2016,
    ),
    "assisted": Limit(
        _USE,
        "may read high",
        "the ventilator assists efforts of one's own, which move pressure at any preload",
        When(column="context.breathing", one_of=("assisted",)),
        MONNET_2016 + " (there: spontaneous breathing)",
    ),
    "unknown_breathing": Limit(
        _USE,
        "either way",
        "it is documented that the kind of breathing is not known",
        When(column="context.breathing", one_of=("unknown",)),
        MONNET_2016,
    ),
    "undocumented_breathing": Limit(
        _USE,
        "either way",
        "breathing may not have been controlled without any effort",
        When(facts=("breathing_undocumented",)),
        MONNET_2016,
    ),
    "tidal_volume": Limit(
        _USE,
        "may read low",
        f"the tidal volume is under {LEAST_TIDAL_VOLUME:g} mL/kg predicted body weight: a low value says "
        "nothing",
        When(column="context.tidal_volume_ml_per_kg_pbw", below=LEAST_TIDAL_VOLUME),
        DE_BACKER_2005,
    ),
    "undocumented_tidal_volume": Limit(
        _USE,
        "may read low",
        f"the tidal volume may have been under {LEAST_TIDAL_VOLUME:g} mL/kg predicted body weight",
        When(facts=("tidal_volume_undocumented",)),
        DE_BACKER_2005,
    ),
    "lung_compliance": Limit(
        _USE,
        "may read low",
        f"the compliance of the respiratory system is under {LEAST_COMPLIANCE:g} mL/cmH2O: a low value says "
        "nothing",
        When(column="context.lung_compliance_ml_per_cmh2o", below=LEAST_COMPLIANCE),
        f"{MONNET_2016}; the figure 30: Monnet X, Bleibtreu A, Ferre A, et al. Crit Care Med "
        "2012;40:152-157 (from memory)",
    ),
    "beats_per_breath": Limit(
        _USE,
        "may read low",
        f"there are fewer than {LEAST_BEATS_PER_BREATH:g} beats a breath",
        When(column="beats_per_breath", below=LEAST_BEATS_PER_BREATH, tables=("breaths", "windows")),
        DE_BACKER_2009,
    ),
    "open_chest": Limit(
        _USE,
        "may read low",
        "the chest is open: a low value says nothing",
        When(column="context.chest_open", one_of=("yes",)),
        f"{MONNET_2016}; Jeong DM, Ahn HJ, Park HW, Yang M, Kim JA, Park J. Anesth Analg 2017;125:1158-1165",
    ),
    "abdominal_pressure": Limit(
        _USE,
        "may read high",
        "the pressure in the abdomen is raised",
        When(column="context.intra_abdominal_pressure_mmhg", above=RAISED_ABDOMINAL_PRESSURE),
        f"{MONNET_2016}; the figure 12 mmHg is the usual definition (from memory)",
    ),
    "right_heart_failure": Limit(
        _USE,
        "may read high",
        "the right heart fails",
        When(column="context.right_heart_failure", one_of=("yes",)),
        f"{MONNET_2016}; Mahjoub Y, Pila C, Friggeri A, et al. Crit Care Med 2009;37:2570-2575 (from memory)",
    ),
    "undocumented_chest": Limit(
        _USE,
        "either way",
        "lungs may have been stiff, the chest open, the abdomen tense or the right heart failing",
        When(facts=("chest_undocumented",)),
        MONNET_2016,
    ),
}
PRELOAD_LIMITS = tuple(PRELOAD.values())

MISSING = "a beat of the breath could not be used, or the breath holds fewer than two"
