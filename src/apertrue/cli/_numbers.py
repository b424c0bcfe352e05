"""Numbers among a command's arguments: negative ones are no options, and a decimal comma or a true minus sign counts."""

import re
from typing import Any

import typer
from typer.core import TyperCommand

from ..registry.format import MINUS, number_typed

_NEGATIVE = re.compile(r"-[\d.,]+([eE][-+]?\d+)?")


class WithNumbers(TyperCommand):
    """A command that takes ``-24`` for a number; options that are not there stay errors."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the arguments; negative numbers go on with a true minus sign, which begins no option."""
        return super().parse_args(ctx, [MINUS + a[1:] if _NEGATIVE.fullmatch(a) else a for a in args])


def number(text: str | float) -> float:
    """An argument's number, for ``typer.Argument(parser=number)``."""
    value = text if isinstance(text, float) else number_typed(text)
    if value is None:
        raise typer.BadParameter(f"{text!r} is no number")
    return value
