"""Scenarios: read from TOML, with faults, to a board's trace or frames, and the truth beside them."""

from evenstring.sim.scenario.reader import Scenario, load_scenario, parse_scenario, scenario_names

__all__ = ["Scenario", "load_scenario", "parse_scenario", "scenario_names"]
