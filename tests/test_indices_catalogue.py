"""The catalogue: entries that fit together, the evaluator, and indices of a user's own."""

import functools
import inspect
import itertools
import json
import pickle
from dataclasses import replace
from html import escape

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import hemoidx as hx
from hemoidx import Catalogue, Index, InputError, Limit, Mark, Rule, When, default_catalogue
from hemoidx.facts import Fact
from hemoidx.indices.evaluate import MARGIN_S, beat_values
from hemoidx.indices.index import LANDMARKS
from hemoidx.indices.level import Source
from hemoidx.indices.levels import beat_level
from hemoidx.indices.stored import from_json, to_json
from hemoidx.simulate import Scenario, simulate
from tests.waves import Float, all_levels, pulses, ramps, unknown_chain

UNITS = ("mmHg", "s", "1/min", "mmHg/s", "mmHg s", "%", "1", "1/min/mmHg", "year/min/mmHg", "mmHg/min")
UNITS_OF_FLOW = ("L/min", "L/min/m2", "mL", "mL/m2", "dyn s/cm5", "dyn s m2/cm5", "mmHg min/L", "W", "W/m2")
UNITS_OF_FLOW += ("mL/mmHg", "mmHg/mL", "m2", "kg")


def double(sbp: Float) -> Float:
    """Twice the systolic pressure."""
    return 2.0 * sbp


def mine(**changes: object) -> Index:
    """A small index of a user."""
    entry = {
        "name": "twice",
        "title": "Twice the systolic pressure",
        "unit": "mmHg",
        "level": "beat",
        "formula": "2 sbp",
        "inputs": ("sbp",),
        "function": double,
    }
    return Index(**{**entry, **changes})  # type: ignore[arg-type]


def values_of(catalogue: Catalogue, source: Source, **options: float) -> dict[str, Float]:
    return beat_values(
        catalogue,
        source.pressure,
        source.fs,
        source.landmarks,
        source.quality,
        lambda name: source.context(
            name.removeprefix("context."), *[source.landmarks["onset"] / source.fs] * 2
        ).value(),
        source.chain,
        **options,
    )


def test_every_entry_says_what_it_is_and_where_it_is_published() -> None:
    for index in default_catalogue():
        assert index.title
        assert index.formula
        assert index.sources
        assert index.unit in UNITS or (
            index.unit in UNITS_OF_FLOW and (index.family == "flow" or index.name.startswith("co_"))
        )
        assert all(limit.source and limit.reason for limit in index.limits)
        assert index.published_range is None or index.published_range.source


def test_inputs_stand_in_the_order_of_the_function() -> None:
    # The evaluator passes by position: a swapped pair would still run.
    for index in default_catalogue():
        named = tuple(name.rpartition(".")[2] for name in index.inputs)
        parameters = tuple(inspect.signature(index.function).parameters)
        assert len(parameters) == len(named), index.name
        # One may differ, where a function serves several entries; a swapped pair differs in two.
        assert sum(a != b for a, b in zip(parameters, named, strict=True)) <= 1, index.name


def test_shared_inputs_are_other_indices() -> None:
    catalogue = default_catalogue()
    for index in catalogue:
        assert index.name not in index.shared_inputs
        assert all(catalogue[other] for other in index.shared_inputs)


def test_pressures_are_refused_without_calibration_but_timing_is_not() -> None:
    source = ramps()
    facts = source.facts | 1 << 3
    level = beat_level(default_catalogue(), Source(**{**vars(source), "facts": facts}))
    for column in ("sbp", "dbp", "mbp", "pp", "dpdt_max", "systolic_area"):
        assert np.isnan(level.usable(column)).all()
    for column in ("hr", "duration_s", "ejection_time_s"):
        assert np.isfinite(level.usable(column)).all()


def test_mean_of_a_ramp() -> None:
    # Area under the pulse contour divided by the duration of the cycle (Libii J. Mean arterial pressure and
    # average blood pressure. Proc 14th Northeast Bioengineering Conf 1988; seen as abstract): for a ramp
    # DBP + PP/2. A sample at the top is missing from the sampled ramp: half a step of 0.4 mmHg.
    source = ramps()
    ideal = Source(**{**vars(source), "landmarks": {**source.landmarks, "end": source.landmarks["end"] - 1}})
    found = values_of(default_catalogue(), ideal)["mbp"]
    np.testing.assert_allclose(found, 80.0 + 39.6 / 2, atol=1e-9)


def test_ejection_time_is_foot_to_notch() -> None:
    # Lewis RP, Rittgers SE, Forester WF, Boudoulas H. Circulation 1977;56:146-158: foot of the upstroke to
    # the dicrotic notch of the same beat, in their worked difference QS2 400 ms - PEP 103 ms = 297 ms.
    source = ramps()
    marks = {**source.landmarks, "notch": source.landmarks["onset"] + 29.7}
    found = values_of(default_catalogue(), Source(**{**vars(source), "landmarks": marks}))
    np.testing.assert_allclose(found["ejection_time_s"], 0.297, atol=1e-9)


def test_area_above_diastolic_of_a_ramp() -> None:
    # Integral of (P - DBP) over ejection, as Kouchoukos 1970 takes it: a triangle, here half of 0.5 s by
    # 20 mmHg. Diastolic pressure is given, so that its own smoothing does not enter.
    area = default_catalogue()["systolic_area"]
    source = ramps()
    found = area.function(
        source.pressure, source.landmarks["onset"], source.landmarks["notch"], np.full(40, 80.0), source.fs
    )
    np.testing.assert_allclose(found, 0.5 * 0.5 * 20.0, atol=1e-9)


def test_rate_is_sixty_over_duration() -> None:
    found = values_of(default_catalogue(), ramps(period=0.75))
    np.testing.assert_allclose(found["hr"], 80.0)


@settings(max_examples=15, deadline=None)
@given(st.floats(0.7, 300.0), st.integers(0, 3))
def test_values_do_not_depend_on_how_the_wave_is_cut(chunk_s: float, seed: int) -> None:
    fs = 100.0
    rng = np.random.default_rng(seed)
    wave = pulses(fs, 120.0) + rng.normal(0, 0.3, 12000)
    onset = 7.3 + 80.0 * np.arange(140) + rng.uniform(-2, 2, 140)
    marks = {"onset": onset, "steepest": onset + 6.0, "peak": onset + 12.0, "notch": onset + 36.0}
    marks["end"] = np.append(onset[1:], np.nan)
    base = ramps(140, fs)
    source = Source(**{**vars(base), "pressure": wave, "landmarks": marks})
    whole, cut = (values_of(default_catalogue(), source, chunk_s=length) for length in (1e6, chunk_s))
    for column in whole:
        # A position moved by whole samples may change in its last bit, and with it a difference of pressures.
        np.testing.assert_allclose(cut[column], whole[column], rtol=1e-13, atol=1e-9)
    # The last bits of sums and matrix products go by the stretch, which is therefore a fixed grid; times are
    # the same to the last bit.
    for column in ("duration_s", "hr", "ejection_time_s"):
        np.testing.assert_array_equal(whole[column], cut[column])


def test_a_function_sees_the_promised_margin_of_wave() -> None:
    seen = []

    def look(pressure: Float, onset: Float, end: Float, fs: float) -> Float:
        seen.append((onset.min() / fs, (pressure.size - 1 - end.max()) / fs))
        return onset

    source = ramps(60)
    values_of(
        Catalogue((mine(inputs=("pressure", "onset", "end", "fs"), function=look),)), source, chunk_s=20.0
    )
    assert len(seen) == 3
    assert all(before >= MARGIN_S for before, _ in seen[1:])
    assert all(after >= MARGIN_S for _, after in seen[:-1])


def test_wave_and_algebra_can_alternate() -> None:
    # A reader of the wave that needs algebra over all beats: two passes, in the right order.
    def above(pressure: Float, peak: Float, usual: Float) -> Float:
        return pressure[np.rint(peak).astype(int)] - usual

    def usual(sbp: Float) -> Float:
        return np.full(sbp.shape, np.median(sbp))

    extra = [
        mine(name="above", inputs=("pressure", "peak", "usual"), function=above),
        mine(name="usual", inputs=("sbp",), function=usual),
    ]
    found = values_of(default_catalogue().with_(extra), ramps(200), chunk_s=20.0)
    assert np.ptp(found["above"]) < 1e-9
    np.testing.assert_allclose(found["usual"] + found["above"], 80.0 + 40.0 * 0.9)


def test_context_reaches_an_index_by_the_time_of_its_row() -> None:
    from hemoidx import Context

    context = Context.read({"intervals": [{"from_s": 10, "central_venous_pressure_mmhg": 8}]})
    entry = mine(
        name="driving", inputs=("sbp", "context.central_venous_pressure_mmhg"), function=lambda a, b: a - b
    )
    source = Source(**{**vars(ramps()), "context": context.over})
    found = values_of(default_catalogue().with_([entry]), source)
    assert np.isnan(found["driving"][:10]).all()
    np.testing.assert_allclose(found["sbp"][10:] - found["driving"][10:], 8.0)


def window_mean(pp: Float, window: Float, n: int) -> Float:
    """Mean of usable pulse pressures, by hand."""
    keep = np.isfinite(pp) & (window >= 0)
    with np.errstate(invalid="ignore"):
        return np.bincount(window[keep], pp[keep], n) / np.bincount(window[keep], minlength=n)


def test_an_index_of_windows_gets_beats_without_those_that_were_rejected() -> None:
    entry = mine(
        name="by_hand",
        level="window",
        inputs=("beats.pp", "window_of_beat", "n_windows"),
        function=window_mean,
        error_function=lambda pp, window, n: np.full(n, 0.5),
    )
    catalogue = default_catalogue().with_([entry])
    source = ramps(90)
    facts = source.facts.copy()
    facts[::7] |= 1 << 7
    source = Source(**{**vars(source), "facts": facts})
    _, _, windows, _ = all_levels(catalogue, source)
    np.testing.assert_allclose(windows.values["by_hand"][:3], windows.values["pp"][:3])
    assert (windows.values["by_hand_se"] == 0.5).all()


def test_a_users_fact_is_marked_and_passes_upward() -> None:
    tall = Fact("tall", 48, "the systolic pressure is above 100", 0.5)
    entry = mine(
        marks=(Mark(tall, When(column="sbp", above=100.0)),), rules=(Rule("caution", When(facts=("tall",))),)
    )
    catalogue = default_catalogue().with_([entry])
    source = ramps(90)
    beats, _, windows, _ = all_levels(catalogue, source)
    assert (beats.facts >> 48 & 1).all()
    assert (windows.facts[:3] >> 48 & 1).all()
    assert not source.facts.any(), "the facts that were passed in must not be written to"


@pytest.mark.parametrize(
    ("entry", "complaint"),
    [
        (lambda: mine(name="sbp"), "'sbp' is already taken by sbp"),
        (lambda: mine(column="hr"), "'hr' is already taken by hr"),
        (lambda: mine(name="quality"), "is that of a column of the tables"),
        (lambda: mine(inputs=("sbp", "sbd")), "unknown input 'sbd'; did you mean 'sbp'"),
        (lambda: mine(inputs=("beats.sbp",)), "unknown input 'beats.sbp'"),
        (lambda: mine(level="window", inputs=("beats.sbb",)), "did you mean 'beats.sbp'"),
        (lambda: mine(rules=(Rule("rejected", When(facts=("ectopia",))),)), "did you mean 'ectopic'"),
        (lambda: mine(level="breaths"), "level must be one of beat, breath, window, record"),
        (lambda: mine(window="median"), "window must be one of"),
        (lambda: mine(inputs="sbp"), "inputs must be a tuple"),
        (lambda: mine(inputs=()), "at least one name"),
        (lambda: mine(function=3), "function must be callable, got int"),
        (lambda: mine(name="two words"), "names and columns"),
        (lambda: mine(sources="a book"), "sources must be a tuple"),
        (
            lambda: mine(rules=(Rule("maybe", When()),)),
            "level must be one of undocumented, caution, rejected",
        ),
        (lambda: mine(rules=(Rule("caution", When(column="sbp")),)), "needs the column and a bound"),
        (lambda: mine(rules=(Rule("caution", When(facts="ectopic")),)), "tuples of names"),  # type: ignore[arg-type]
        (lambda: mine(rules=(Rule("caution", When(tables=("breath",))),)), "tables are beats"),
        (lambda: mine(limits=(Limit("x", "up", "y"),)), "direction must be"),
        (lambda: "sbp", "need Index entries, got str"),
    ],
)
def test_entries_that_do_not_fit_are_refused_in_words(entry: object, complaint: str) -> None:
    with pytest.raises(InputError, match=complaint) as caught:
        default_catalogue().with_([entry()])  # type: ignore[operator]
    assert "\n" not in str(caught.value)


def test_circles_are_refused() -> None:
    with pytest.raises(InputError, match="in a circle: one, two"):
        default_catalogue().with_([mine(name="one", inputs=("two",)), mine(name="two", inputs=("one",))])


@pytest.mark.parametrize(
    ("function", "complaint"),
    [
        (lambda sbp: sbp[:-1], r"one value for each of the 40 rows, got shape \(39,\)"),
        (lambda sbp: 1.0, r"got shape \(\)"),
        (lambda sbp: "much", "must return numbers, got str"),
    ],
)
def test_what_a_function_returns_is_checked(function: object, complaint: str) -> None:
    with pytest.raises(InputError, match=complaint):
        values_of(default_catalogue().with_([mine(function=function)]), ramps())


def test_an_error_in_a_function_says_which_index_it_was() -> None:
    def broken(sbp: Float) -> Float:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError) as caught:
        values_of(default_catalogue().with_([mine(function=broken)]), ramps())
    assert caught.value.__notes__ == ["while computing the index twice from sbp"]


def test_unknown_indices_are_named_with_their_neighbour() -> None:
    with pytest.raises(InputError, match="no index is called 'ejection'; did you mean 'ejection_time"):
        default_catalogue()["ejection"]
    assert default_catalogue()["duration_s"] is default_catalogue()["duration"]


def test_onsets_out_of_order_are_refused() -> None:
    source = ramps()
    marks = {**source.landmarks, "onset": source.landmarks["onset"][::-1]}
    with pytest.raises(InputError, match="finite and increasing"):
        values_of(default_catalogue(), Source(**{**vars(source), "landmarks": marks}))


def test_no_beats_give_no_values() -> None:
    source = ramps()
    none = {"landmarks": {name: np.zeros(0) for name in LANDMARKS}, "quality": np.zeros(0)}
    chain = unknown_chain(np.zeros(0), source.fs)
    found = values_of(default_catalogue(), Source(**{**vars(source), **none, "chain": chain}))
    assert all(values.shape == (0,) for values in found.values())


def test_a_catalogue_travels_to_other_processes() -> None:
    catalogue = default_catalogue().with_([mine()])
    again = pickle.loads(pickle.dumps(catalogue))
    assert again == catalogue
    np.testing.assert_array_equal(values_of(again, ramps())["twice"], values_of(catalogue, ramps())["twice"])


def test_declarations_survive_as_plain_data() -> None:
    tall = Fact("tall", 48, "it is tall", 0.5)
    entry = mine(
        marks=(Mark(tall, When(column="sbp", above=100.0)),),
        limits=(Limit("height", "reads low", "it is", When(facts=("tall",), tables=("beats",))),),
        function=functools.partial(double),
    )
    catalogue = default_catalogue().with_([entry])
    again = from_json(json.loads(json.dumps(to_json(catalogue))))
    kept = [name for name in Index.__dataclass_fields__ if name not in ("function", "error_function")]
    for ours, theirs in zip(catalogue, again, strict=True):
        assert [getattr(ours, name) for name in kept] == [getattr(theirs, name) for name in kept]
    assert again.facts == catalogue.facts
    with pytest.raises(InputError, match="not their functions"):
        again["sbp"].function(1.0)


def test_rules_are_those_of_the_entry_that_is_asked_for() -> None:
    catalogue = default_catalogue()
    held = catalogue.rules_in(catalogue["sbp"], "beats")
    assert catalogue.rules_in(catalogue["sbp"], "beats") is held
    stranger = replace(catalogue["sbp"], rules=())
    rules = catalogue.rules_in(stranger, "beats")
    assert rules != held
    assert catalogue.rules_in(catalogue["sbp"], "beats") == held
    assert catalogue.rules_in(catalogue["sbp"], "windows") == catalogue["sbp"].rules


def test_rules_are_not_gathered_again_along_each_path(monkeypatch: pytest.MonkeyPatch) -> None:
    def both(a: Float, b: Float) -> Float:
        return a + b

    names = ["sbp", "dbp", *(f"mix_{k}" for k in range(12))]
    like = replace(default_catalogue()["sbp"], rules=(), function=both)
    mixed = tuple(
        replace(like, name=name, column=name, inputs=pair)
        for name, pair in zip(names[2:], itertools.pairwise(names), strict=False)
    )
    catalogue = default_catalogue().with_(mixed)
    gathered: list[str] = []
    gather = Catalogue._rules_of

    def counted(self: Catalogue, index: Index, table: str) -> tuple[Rule, ...]:
        gathered.append(index.name)
        return gather(self, index, table)

    monkeypatch.setattr(Catalogue, "_rules_of", counted)
    rules = catalogue.rules_in(catalogue["mix_11"], "beats")
    assert sorted(gathered) == sorted(names)
    assert {rule.when for rule in rules} >= {rule.when for rule in catalogue["sbp"].rules}


def test_the_page_of_the_catalogue_holds_every_entry_and_its_words() -> None:
    entry = mine(title="Twice <b>", sources=("A & B",), limits=(Limit("load", "reads low", "it is doubled"),))
    catalogue = default_catalogue().with_([entry])
    page = catalogue._repr_html_()
    for index in default_catalogue():
        assert f"<code>{index.name}</code>" in page
        assert escape(index.formula) in page
    assert "Twice &lt;b&gt;" in page
    assert "A &amp; B" in page
    assert "as load it reads low: it is doubled" in page
    assert "no dicrotic notch was found" in catalogue["ejection_time"]._repr_html_()


def test_a_smaller_catalogue_gives_the_same_numbers_and_verdicts() -> None:
    rec = simulate(Scenario(name="smaller", duration_s=90.0, seed=8)).recording
    whole = hx.analyse(rec)
    for names in (("sbp", "hr"), ("pressure",), ("ppv",), ("tau_free", "sv_decay")):
        few = default_catalogue().only(*names)
        assert len(few) < len(default_catalogue())
        result = hx.analyse(rec, catalogue=few)
        for index in few:
            for table in ("beats", "breaths", "windows", "record"):
                if not index.appears_in(table):
                    continue
                frames = [getattr(r, table)[index.column] for r in (result, whole)]
                if few.needs_breaths or table != "windows":
                    np.testing.assert_allclose(*frames, rtol=1e-12, err_msg=f"{index.name} in {table}")
                shown = [r.verdicts(index.name, table)["measurement"].tolist() for r in (result, whole)]
                assert shown[0] == shown[1], f"{index.name} in {table}"
    with pytest.raises(InputError, match="no index is called 'pressures'"):
        default_catalogue().only("pressures")


def test_breaths_are_only_looked_for_where_they_are_asked_for() -> None:
    assert not default_catalogue().only("sbp", "shock_index").needs_breaths
    assert default_catalogue().only("ppv").needs_breaths
    assert default_catalogue().only("alternans_k").needs_breaths
