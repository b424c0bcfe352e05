"""Names left out of what is meant for others."""

import re
from dataclasses import dataclass
from pathlib import PureWindowsPath

from ..store import Store

#: What stands where a name was.
MASK = "[name]"


@dataclass(frozen=True, slots=True)
class Mask:
    """Takes known names out of texts and folders off file names (folders often carry a user's name)."""

    names: tuple[str, ...]

    def text(self, value: str) -> str:
        """``value`` with each known name replaced."""
        for name in self.names:
            value = re.sub(rf"(?<!\w){re.escape(name)}(?!\w)", MASK, value, flags=re.IGNORECASE)
        return value

    def file(self, value: str) -> str:
        """The file's own name without its folders, known names replaced."""
        return self.text(PureWindowsPath(value).name or value)


def mask_for(store: Store) -> Mask:
    """Knows the names that made entries, and their parts."""
    names: set[str] = set()
    for row in store.rows("select distinct who from log where who is not null"):
        names.add(row["who"])
        names |= {part for part in re.split(r"[\s,.;]+", row["who"]) if len(part) >= 3}
    return Mask(tuple(sorted(names, key=lambda n: (-len(n), n))))
