"""``Part`` to the text of a part file; reading it back gives the same part."""

from __future__ import annotations

from benchrig.parts.part import Part
from benchrig.tomlfile.write import toml_table


def part_to_toml(part: Part) -> str:
    """The part file's text. A resistance limit is written as it holds, at 20 °C."""
    ability = part.ability
    tables = [
        toml_table(
            "",
            {
                "title": part.title,
                "kind": part.kind.value,
                "invented": part.invented,
                "note": part.note or None,
            },
        ),
        toml_table(
            "[winding]",
            {
                "nominal_resistance_ohm": part.nominal_resistance_ohm,
                "copper": part.copper_winding,
                "polarity_matters": part.polarity_matters,
            },
        ),
        toml_table(
            "[ability]",
            {
                "on_s_max": ability.on_s_max,
                "duty_max": ability.duty_max,
                "winding_c_max": ability.winding_c_max,
                "current_a_max": ability.current_a_max,
                "supply_v_max": ability.supply_v_max,
                "dry_run_s_max": ability.dry_run_s_max,
            },
        ),
    ]
    if part.ripples_per_turn is not None:
        tables.append(toml_table("[pump]", {"ripples_per_turn": part.ripples_per_turn}))
    tables += [
        toml_table(
            f"[limits.{limit.characteristic.value}]",
            {
                "low": limit.low,
                "high": limit.high,
                "at_voltage_v": limit.at_voltage_v,
                "source": limit.source,
                "rule": limit.rule.value,
            },
        )
        for limit in part.limits
    ]
    return "\n".join(tables)
