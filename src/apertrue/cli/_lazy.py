"""A command group that imports a command's module only when that command is called.

``apertrue --help`` lists names and help lines from a table and imports none of the modules; a command whose module
is not there (a partial installation) is left out.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from importlib import import_module
from importlib.util import find_spec
from typing import Any

import typer
from typer.core import TyperGroup


@dataclass(frozen=True, slots=True)
class Command:
    """Where a command lives: its module in :mod:`apertrue.cli`, its help line and the heading it stands under."""

    module: str
    line: str
    panel: str


class LazyGroup(TyperGroup):
    """A typer group over a table ``name → Command``; subclasses set :attr:`table` and :attr:`package`."""

    table: Mapping[str, Command] = {}
    package: str = "apertrue.cli"

    def list_commands(self, ctx: Any) -> list[str]:  # noqa: ARG002 (typer's signature)
        """Names of the commands that are installed, in the table's order."""
        return [name for name, command in self.table.items() if _is_there(self.package, command.module)]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: ARG002 (typer's signature)
        """Import the command's module and turn its ``app`` into a command; ``None`` when there is none."""
        command = self.table.get(cmd_name)
        if command is None or not _is_there(self.package, command.module):
            return None
        return load(self.package, command.module, cmd_name)

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """As usual; a mistyped name gets a suggestion, which typer has only for commands that are imported already."""
        known = self.list_commands(ctx)
        if args and args[0] not in known and not ctx.resilient_parsing:
            near = get_close_matches(args[0], known, n=2)
            if near:
                ctx.fail(f"No such command {args[0]!r}. Did you mean {' or '.join(repr(n) for n in near)}?")
        return super().resolve_command(ctx, args)

    def format_epilog(self, ctx: Any, formatter: Any) -> None:  # noqa: ARG002 (typer's signature)
        """Write the epilog's lines as they are: examples must not be re-wrapped."""
        for line in (self.epilog or "").splitlines():
            formatter.write(line + "\n")

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the list of commands from the table, without importing any of them."""
        for panel in dict.fromkeys(command.panel for command in self.table.values()):
            rows = [
                (name, self.table[name].line) for name in self.list_commands(ctx) if self.table[name].panel == panel
            ]
            if rows:
                with formatter.section(panel):
                    formatter.write_dl(rows)


@cache
def _is_there(package: str, module: str) -> bool:
    return find_spec(f"{package}.{module}") is not None


def load(package: str, module: str, name: str) -> Any:
    """The command that the module's ``app`` (a :class:`typer.Typer`) describes, under the name of the table."""
    app: typer.Typer = import_module(f"{package}.{module}").app
    # Plain help and plain errors: rich would cost each start as much as all the rest of it.
    app.rich_markup_mode = None
    app._add_completion = False
    command = typer.main.get_command(app)
    command.name = name
    return command
