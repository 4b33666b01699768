"""Simulated recordings with known truth: heart, arteries, line, recorder, and what goes wrong with them."""

from hemoidx.simulate.draw import FAMILIES, random_scenarios
from hemoidx.simulate.model import Simulated, simulate_arrays
from hemoidx.simulate.scenario import EVENT_KINDS, Event, Scenario
from hemoidx.simulate.truth import Truth

__all__ = [
    "EVENT_KINDS",
    "FAMILIES",
    "Event",
    "Scenario",
    "Simulated",
    "Truth",
    "random_scenarios",
    "simulate_arrays",
]
