"""Units of pressure."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hemoidx.errors import InputError, UnitError
from hemoidx.units import mmhg_per_unit, pressure_unit, to_mmhg


@pytest.mark.parametrize(
    ("value", "unit", "mmhg", "tolerance"),
    [
        # NIST SP 811, appendix B.8 (from memory): 1 mmHg = 133.3224 Pa, 1 cmH2O = 98.0665 Pa.
        (133.3224, "kPa", 1000.0, 1e-3),
        (1.0, "cmH2O", 98.0665 / 133.3224, 1e-6),
        # Conventional mercury, 13595.1 kg/m3, against conventional water, 1000 kg/m3.
        (13.5951, "cmH2O", 10.0, 1e-9),
        (120.0, "mmHg", 120.0, 0.0),
    ],
)
def test_published_factors(value, unit, mmhg, tolerance):
    assert to_mmhg(value, unit) == pytest.approx(mmhg, abs=tolerance)


@pytest.mark.parametrize(
    ("spelling", "unit"),
    [
        ("mmhg", "mmHg"),
        ("mm Hg", "mmHg"),
        ("MMHG", "mmHg"),
        ("mm[Hg]", "mmHg"),
        ("KPA", "kPa"),
        ("cm H2O", "cmH2O"),
        ("cmH₂O", "cmH2O"),
        ("mV", None),
        ("Pa", None),
        ("", None),
        (None, None),
    ],
)
def test_spellings(spelling, unit):
    assert pressure_unit(spelling) == unit


@pytest.mark.parametrize("unit", ["mV", "Pa", "NU", "psi", "", None])
def test_other_units_are_refused_by_name(unit):
    with pytest.raises(UnitError, match="channel 'ABP'") as caught:
        mmhg_per_unit(unit, "channel 'ABP'")
    assert isinstance(caught.value, InputError)
    assert (unit or "no unit") in str(caught.value)
    assert "\n" not in str(caught.value)


@given(st.lists(st.floats(-500, 500)), st.sampled_from(["mmHg", "kPa", "cmH2O"]))
def test_conversion_is_linear_and_keeps_gaps(values, unit):
    given_values = np.array([*values, np.nan, 0.0, 1.0])
    out = to_mmhg(given_values, unit)
    assert np.isnan(out[-3])
    assert out[-2] == 0.0
    np.testing.assert_allclose(out[:-3], np.array(values) * out[-1], rtol=1e-15)
    assert given_values[-1] == 1.0  # the input is left alone
