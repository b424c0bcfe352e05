"""Write docs/reference.md from the registry: fields, scenes, verdicts, flags and reasons."""

from pathlib import Path

from apertrue.registry import FIELDS, FLAGS, REASONS, SCENE_WORDS, VERDICT_WORDS

TARGET = Path(__file__).resolve().parent.parent / "docs" / "reference.md"


def _cell(text: object) -> str:
    return str(text).replace("|", "\\|").replace("<", "&lt;").replace("\n", " ")


def _table(head: tuple[str, ...], rows: list[tuple[object, ...]]) -> list[str]:
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return [*lines, *("| " + " | ".join(_cell(c) for c in row) + " |" for row in rows), ""]


def reference() -> str:
    """The page's text."""
    out = [
        "# Fields, flags, reasons",
        "",
        "Made from the registry by `tools/make_reference.py`. A field marked σ has a second column, `…_sigma`: its 1σ",
        "standard uncertainty, empty exactly when the value is. Angles: degrees counter-clockwise from +x as seen on the",
        "screen; pixels: x right, y down.",
        "",
    ]
    for group in dict.fromkeys(f.group for f in FIELDS):
        out += [f"## Fields: {group}", ""]
        rows: list[tuple[object, ...]] = [
            (f"`{f.name}`", f.unit, "σ" if f.measured else "", f.meaning) for f in FIELDS if f.group == group
        ]
        out += _table(("field", "unit", "σ", "meaning"), rows)
    out += [
        "## Scenes",
        "",
        *_table(("scene", "what the picture shows"), [(f"`{k}`", w) for k, w in SCENE_WORDS.items()]),
    ]
    out += ["## Verdicts", "", *_table(("verdict", "meaning"), [(f"`{k}`", w) for k, w in VERDICT_WORDS.items()])]
    for title, entries in (("Flags", FLAGS), ("Reasons", REASONS)):
        found = [(f"`{e.id}`", e.sentence, e.threshold, e.remedy) for e in entries.values()]
        out += [f"## {title}", "", *_table(("id", "meaning", "when", "what to do"), list(found))]
    return "\n".join(out).rstrip() + "\n"


def main() -> None:
    """Write the page."""
    TARGET.write_text(reference(), encoding="utf-8")
    print(f"{TARGET.name}: {len(FIELDS)} fields, {len(FLAGS)} flags, {len(REASONS)} reasons")


if __name__ == "__main__":
    main()
