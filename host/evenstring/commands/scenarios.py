"""The name of a scenario as a value of the command line, which a shell can complete."""

from __future__ import annotations

import click
from click.shell_completion import CompletionItem

from evenstring.sim.scenario import scenario_names

__all__ = ["ScenarioName"]


class ScenarioName(click.ParamType[str]):
    """A name, or the path of a .toml file; which of these it is shows when it is loaded."""

    name = "scenario"

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:  # noqa: ARG002  # signature of click
        """Names that begin like what was typed, and files."""
        names = [CompletionItem(n) for n in scenario_names() if n.startswith(incomplete)]
        return names or [CompletionItem(incomplete, type="file")]
