"""What changes an audit's results, and the key made of it: the same files under another key are judged anew."""

import hashlib
import json
from dataclasses import dataclass, field

from .._version import __version__
from ..instrument import Instrument
from ..instrument.toml import dumps_instrument
from ..readers import MAX_PIXELS
from ..registry import SCHEMA_VERSION
from .revision import engine_revision


@dataclass(frozen=True, slots=True)
class AuditSettings:
    """Settings that change results.

    Attributes:
        instrument: limits, costs, cameras.
        timezone: IANA name of the zone of times that files state without one; the instrument file's, else this
            machine's when ``None``.
        first_page_only: judge only the first page of each stack.
        max_pixels: largest page, rows × columns.
    """

    instrument: Instrument = field(default_factory=Instrument)
    timezone: str | None = None
    first_page_only: bool = False
    max_pixels: int = MAX_PIXELS

    def to_json(self) -> str:
        """All of them with the program's version and the engine's, as sorted JSON; the same give the same text."""
        return json.dumps(
            {
                "apertrue": __version__,
                "engine": engine_revision(),
                "fields": SCHEMA_VERSION,
                "first_page_only": self.first_page_only,
                "instrument": dumps_instrument(self.instrument),
                "max_pixels": self.max_pixels,
                "timezone": self.zone,
            },
            sort_keys=True,
        )

    @property
    def zone(self) -> str | None:
        """The zone that is used; ``None`` = this machine's."""
        return self.timezone or self.instrument.timezone

    @property
    def key(self) -> str:
        """Hash of :meth:`to_json`."""
        return hashlib.sha256(self.to_json().encode("ascii")).hexdigest()
