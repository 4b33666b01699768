"""The manifest of open databases: complete, checked on the way in, and ready to cite."""

import copy
from pathlib import Path

import pytest
import yaml

import hemoidx as hx
from hemoidx.errors import DataUnavailableError, InputError
from hemoidx.opendata.manifest import manifest_text
from hemoidx.recordings import role_of


def test_manifest_is_the_checkouts() -> None:
    file = Path(__file__).parents[1] / "data_manifest.yaml"
    if file.is_file():
        assert manifest_text() == file.read_text(encoding="utf-8")


def test_it_knows_the_databases_with_pressure_and_the_simulated_one() -> None:
    known = hx.databases()
    assert {"mimicdb", "mimic3wdb", "mimic4wdb", "mghdb", "vitaldb", "pwdb"} <= set(known)
    assert len(known) >= 20
    assert set(known.where(pressure="simulated")) == {"pwdb"}
    assert "mghdb" in known.where(channel="co2")
    with pytest.raises(InputError, match="no field 'colour'"):
        known.where(colour="red")


def test_every_name_of_a_pressure_is_known_to_the_loader() -> None:
    """What the manifest calls a pressure or an ECG is so by the one place that maps names to roles."""
    for entry in hx.databases().where(layout="wfdb").values():
        for role, names in entry.channels.items():
            for name in names:
                assert role_of(name) == role, (entry.slug, name)


def test_what_is_not_verified_says_so() -> None:
    entry = hx.databases()["mimicdb"]
    assert "as remembered" in entry.terms()
    assert "from memory: licence" in str(entry)
    assert "as remembered" not in hx.databases()["mghdb"].terms()


def test_citations_are_ready_to_paste() -> None:
    known = hx.databases()
    assert known.citation("vitaldb").startswith("Lee HC")
    assert "doi 10.13026/c2607m" in known.citation("mimic3wdb")
    entry = known.citation("pwdb", "bibtex")
    assert entry.startswith("@misc{pwdb,")
    assert entry.count("{") == entry.count("}")
    with pytest.raises(DataUnavailableError, match="not known here"):
        known.citation("cerebral-vasoreg-diabetes")
    with pytest.raises(DataUnavailableError, match="no database 'mimic9'"):
        known.citation("mimic9")


def test_it_shows_itself() -> None:
    known = hx.databases()
    assert repr(known).count("\n") == len(known) - 1
    page = known._repr_html_()
    assert page.count("<tr>") == len(known) + 1
    assert "<caption>" in page


WHOLE = yaml.safe_load(manifest_text())


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda m: m.update(version=1), "version 2 of the manifest"),
        (lambda m: m.update(databases={}), "must be a list"),
        (lambda m: m["databases"][0].pop("title"), "entry 'mimicdb' lacks title"),
        (lambda m: m["databases"][0].update(color="red"), "entry 'mimicdb': there is no field 'color'"),
        (lambda m: m["databases"][0].update(access="secret"), "access is 'secret'; it is one of open"),
        (lambda m: m["databases"][0].update(slug="Mimic DB"), "slug may hold small letters"),
        (lambda m: m["databases"][0].update(files="ftp://x/"), "files must be a web address"),
        (lambda m: m["databases"][0].update(licence=7), "licence must be a text or null, got 7"),
        (lambda m: m["databases"][0].update(rates_hz={"ecg": 0}), "a rate above 0"),
        (lambda m: m["databases"][0].update(channels={"ecg": "II"}), "channels must list names"),
        (
            lambda m: m["databases"][0].update(records={"count": 3}),
            "records must hold count, names and example",
        ),
        (lambda m: m["databases"][0].update(quirks=["odd"]), "what is odd and what the loader does"),
        (lambda m: m["databases"][0]["known"]["verified"].append("licence"), "at most once"),
        (lambda m: m["databases"].append(m["databases"][0]), "'mimicdb' stands there twice"),
    ],
)
def test_a_spoiled_manifest_says_where_and_what(change: object, says: str) -> None:
    spoiled = copy.deepcopy(WHOLE)
    change(spoiled)
    with pytest.raises(InputError, match=says):
        hx.databases(yaml.safe_dump(spoiled))


def test_what_is_no_yaml_is_said() -> None:
    with pytest.raises(InputError, match="not YAML"):
        hx.databases("a: [")
