"""Names, roles and the choice of the arterial pressure."""

import numpy as np
import pytest
import xarray as xr

from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.recordings import choose_arterial, explain_arterial, role_of
from hemoidx.recordings.channels import site_of, statistic_of


def recording(**units):
    rec = xr.Dataset(attrs={"record_id": "r"})
    for name, unit in units.items():
        rec[name] = ("time", np.zeros(3), {"units": unit, "role": role_of(name, unit)})
    return rec


@pytest.mark.parametrize(
    ("role", "names"),
    [
        ("arterial_pressure", "ABP ART AOBP BP IBP UAP abp ABP_2 ART2 device/ART Radial_P, NIBP FEM"),
        ("pulmonary_pressure", "PAP PA pap PAP2"),
        ("central_venous_pressure", "CVP"),
        ("intracranial_pressure", "ICP"),
        ("ecg", "I II III V V5 aVR MCL1 ECG ECG_II ECG1"),
        ("respiration", "RESP Resp"),
        ("co2", "CO2 ETCO2"),
        ("pleth", "PLETH Pleth"),
        ("flow", "Radial_U AorticRoot_Q FLOW"),
        ("cuff_pressure", "NIBP_SBP device/NIBP_MBP NBPSys NBPm NBPDias"),
        ("numeric", "HR ABPSys ABPMean ART_SBP ABPm SpO2 VENT_TV"),
        ("cardiac_output", "CCO"),
        ("other", "OFF Angle SV x"),
    ],
)
def test_roles(role, names):
    assert {name: role_of(name, "mmHg") for name in names.split()} == dict.fromkeys(names.split(), role)
    assert role_of("ECG lead II") == "ecg"
    assert role_of("Resp. Imp.") == role_of("Resp (sum)") == "respiration"
    assert role_of("device/ART (radial)") == "arterial_pressure"


def test_numbered_sockets_depend_on_the_unit():
    assert role_of("P3", "mmHg") == "arterial_pressure"
    assert role_of("P3", "uV") == role_of("P3") == "other"  # an electrode


def test_order_of_choice():
    rec = recording(P1="mmHg", BP="mmHg", II="mV", ART="mmHg", PAP="mmHg", OFF="mmHg")
    name, reason = explain_arterial(rec)
    assert name == "ART"
    assert "also there: BP, P1" in reason
    assert choose_arterial(recording(P1="mmHg", BP="mmHg")) == "BP"
    assert choose_arterial(recording(ABP_2="mmHg", ABP="mmHg")) == "ABP_2"  # first of its kind in the file


def test_doubt_is_said():
    assert "which pressure" in explain_arterial(recording(P1="mmHg"))[1]
    assert "non-invasive" in explain_arterial(recording(NIBP="mmHg"))[1]
    assert "non-invasive" not in explain_arterial(recording(ABP="mmHg"))[1]
    name, reason = explain_arterial(recording(PAP="mmHg"), "PAP")
    assert name == "PAP"
    assert "does not say that it is an arterial" in reason


def test_choice_by_name():
    rec = recording(II="mV", ABP="mmHg", LAP="mmHg")
    assert choose_arterial(rec, "ABP") == choose_arterial(rec, "abp") == "ABP"
    assert choose_arterial(rec, "LAP") == "LAP"  # in mmHg: the user's word is taken
    with pytest.raises(DataUnavailableError, match="channel 'X' is not there; there are II, ABP, LAP"):
        choose_arterial(rec, "X")
    with pytest.raises(InputError, match="channel 'II' is electrocardiogram in mV, not a pressure"):
        choose_arterial(rec, "II")


def test_uncalibrated_pressure_can_be_chosen():
    assert choose_arterial(recording(ABP="counts"), "ABP") == "ABP"


def test_no_arterial_pressure():
    for units in ({"II": "mV"}, {"OFF": "mmHg"}, {"PAP": "mmHg", "II": "mV"}, {"P3": "uV"}):
        with pytest.raises(DataUnavailableError, match="no arterial pressure in r; there are ") as caught:
            choose_arterial(recording(**units))
        assert f"{next(iter(units))} [" in str(caught.value)


def test_sites_and_statistics_by_name():
    sites = {
        name: site_of(name) for name in ("ART (radial)", "FEM", "Radial_P", "AorticRoot_P", "UAP", "ABP")
    }
    assert list(sites.values()) == ["radial", "femoral", "radial", "aorta", "umbilical", ""]
    found = [statistic_of(name) for name in ("NIBP_SBP", "NBPd", "NBPMean", "NIBP")]
    assert found == ["systolic", "diastolic", "mean", ""]
