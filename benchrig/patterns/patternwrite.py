"""``Pattern`` to the text of a pattern file; reading it back gives the same pattern."""

from __future__ import annotations

from benchrig.patterns.pattern import Pattern
from benchrig.tomlfile.write import toml_table


def pattern_to_toml(pattern: Pattern) -> str:
    """The pattern file's text, durations in µs."""
    tables = [
        toml_table(
            "",
            {
                "title": pattern.title,
                "source": pattern.source or None,
                "repeats": pattern.repeats,
                "wiggle": pattern.wiggle,
            },
        )
    ]
    tables += [
        toml_table(
            "[[steps]]",
            {
                "state": "on" if step.on else "off",
                "duration_us": step.duration_us,
                "change_us": step.change_us or None,
            },
        )
        for step in pattern.steps
    ]
    return "\n".join(tables)
