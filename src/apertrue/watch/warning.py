"""Warning before a limit is crossed: once each time, by bell, by a command of the user's, or both."""

import contextlib
import os
import shlex
import subprocess  # the user's own command, never through a shell
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ..errors import ApertrueError

#: The user's command is stopped after this, s.
COMMAND_LIMIT_S = 60.0


class CommandError(ApertrueError, ValueError):
    """The command for warnings can't be understood or started."""


@dataclass(frozen=True, slots=True)
class Reminder:
    """One warning.

    Attributes:
        kind: ``soon`` (a limit will be crossed), ``crossed``, ``frozen`` or ``silent`` (no new pictures).
        sentence: for people.
    """

    kind: str
    sentence: str


def split_command(text: str) -> list[str]:
    """A command line as a list of its words; nothing in it is ever interpreted by a shell.

    Raises:
        CommandError: empty, or a quote is missing.
    """
    try:
        words = shlex.split(text, posix=sys.platform != "win32")
    except ValueError as error:
        raise CommandError(f"the command for warnings can't be read: {error}. Check its quotes") from error
    if not words:
        raise CommandError("the command for warnings is empty")
    return [w[1:-1] if sys.platform == "win32" and len(w) > 1 and w[0] == w[-1] == '"' else w for w in words]


def environment(warning: Reminder, fields: Mapping[str, Any]) -> dict[str, str]:
    """The environment of the user's command: ``APERTRUE_WARNING``, ``APERTRUE_SENTENCE`` and each field that is not
    null as ``APERTRUE_<NAME>``.
    """
    out = dict(os.environ)
    out["APERTRUE_WARNING"], out["APERTRUE_SENTENCE"] = warning.kind, _clean(warning.sentence)
    for name, value in fields.items():
        if value is None:
            continue
        text = ";".join(map(str, value)) if isinstance(value, list | tuple) else str(value)
        out[f"APERTRUE_{name.upper()}"] = _clean(text)
    return out


def _clean(text: str) -> str:
    return text.replace("\0", "")


class Alarm:
    """Gives each kind of warning once until its reason is gone.

    Args:
        command: the user's command as a list of words; ``None`` = none.
        bell: ring the terminal's bell.
        say: shows a message beside the results.
        ring: writes to the terminal.
    """

    def __init__(
        self,
        command: Sequence[str] | None = None,
        *,
        bell: bool = True,
        say: Callable[[str], None] = lambda _: None,
        ring: Callable[[], None] | None = None,
    ) -> None:
        self.command = list(command) if command else None
        self._bell, self._say = bell, say
        self._ring = ring or _terminal_bell
        self._on: set[str] = set()
        self._running: subprocess.Popen[bytes] | None = None
        self.given = 0

    def update(self, warnings: Sequence[Reminder], fields: Mapping[str, Any]) -> tuple[Reminder, ...]:
        """Take in the reasons that hold now; gives and returns those that are new."""
        now = {w.kind for w in warnings}
        new = tuple(w for w in warnings if w.kind not in self._on)
        self._on = now
        for warning in new:
            self.given += 1
            if self._bell:
                self._ring()
            if self.command is not None:
                self._start(self.command, environment(warning, fields))
        return new

    def _start(self, command: list[str], env: dict[str, str]) -> None:
        if self._running is not None and self._running.poll() is None:
            self._say("the command of the last warning still runs; this one is only shown")
            return
        try:
            self._running = subprocess.Popen(
                command, env=env, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
        except (OSError, ValueError) as error:
            self._say(f"the command for warnings could not be started ({getattr(error, 'strerror', None) or error})")

    def close(self) -> None:
        """Let a running command end, for a short while; then stop it."""
        if self._running is None:
            return
        try:
            self._running.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self._running.kill()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._running.wait(timeout=5)


def _terminal_bell() -> None:
    # Not sys.stderr: while the live panel is drawn, that is rich's own, which takes control characters out.
    terminal = sys.__stderr__
    if terminal is not None and terminal.isatty():
        terminal.write("\a")
        terminal.flush()
