"""Simulated recordings with known truth: heart, arteries, line, recorder, and what goes wrong with them."""

from hemoidx.simulate.cohort import teaching_cohort
from hemoidx.simulate.draw import FAMILIES, random_scenarios
from hemoidx.simulate.model import Simulated, simulate, simulate_arrays
from hemoidx.simulate.population import context_of, population, write_population
from hemoidx.simulate.release import flush_release
from hemoidx.simulate.scenario import EVENT_KINDS, Event, Scenario
from hemoidx.simulate.truth import Truth
from hemoidx.simulate.tube import (
    Equivalent,
    equivalent,
    flush_transfer,
    through_tube,
    transfer,
)
from hemoidx.simulate.write import read_truth, write_cohort, write_recording

__all__ = [
    "EVENT_KINDS",
    "FAMILIES",
    "Equivalent",
    "Event",
    "Scenario",
    "Simulated",
    "Truth",
    "context_of",
    "equivalent",
    "flush_release",
    "flush_transfer",
    "population",
    "random_scenarios",
    "read_truth",
    "simulate",
    "simulate_arrays",
    "teaching_cohort",
    "through_tube",
    "transfer",
    "write_cohort",
    "write_population",
    "write_recording",
]
