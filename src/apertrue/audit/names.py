"""Names that a masked report replaces by numbers: the same name, the same number."""


class Names:
    """Sessions and settings in the order in which they were first asked for."""

    def __init__(self) -> None:
        self._sessions: dict[str, str] = {}
        self._settings: dict[str, str] = {}

    def session(self, name: str) -> str:
        """``session 001`` and so on."""
        return self._sessions.setdefault(name, f"session {len(self._sessions) + 1:03d}")

    def setting(self, name: str) -> str:
        """``setting 1`` and so on."""
        return self._settings.setdefault(name, f"setting {len(self._settings) + 1}")
