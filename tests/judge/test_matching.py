"""Matched sets against brute force, their bound, and the files values come from."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.errors import InputFileError, UsageError
from benchrig.judge.matching import Matching, TaggedValues, match_sets
from benchrig.judge.matching_search import (
    Sets,
    complete_search,
    key_of,
    lower_bound,
    set_spread,
    spread_of_ratio,
)
from benchrig.judge.valuesfile import read_values

Rows = Sequence[tuple[float, ...]]


def tagged(rows: Rows) -> list[TaggedValues]:
    return [TaggedValues(tag=f"T{n}", values=row) for n, row in enumerate(rows)]


def match(rows: Rows, size: int, count: int | None = None) -> Matching:
    names = tuple(f"c{n}" for n in range(len(rows[0])))
    return match_sets(tagged(rows), size, count=count, names=names)


# --- brute force, written apart from the search it judges ---------------------------------------


def every_matching(items: list[int], size: int, count: int) -> Iterator[list[tuple[int, ...]]]:
    if count == 0:
        yield []
        return
    for members in combinations(items, size):
        rest = [i for i in items if i > members[0] and i not in members]
        for others in every_matching(rest, size, count - 1):
            yield [members, *others]


def brute_force(rows: Rows, size: int, count: int) -> tuple[float, float]:
    def spread(members: tuple[int, ...]) -> float:
        columns = list(zip(*(rows[i] for i in members), strict=True))
        return max(float((max(c) - min(c)) / (sum(c) / len(c))) for c in columns)

    memo: dict[tuple[int, ...], float] = {}
    best = (float("inf"), float("inf"))
    for sets in every_matching(list(range(len(rows))), size, count):
        spreads = [memo[s] if s in memo else memo.setdefault(s, spread(s)) for s in sets]
        worst = max(spreads)
        if worst < best[0] - 1e-12:
            best = (worst, sum(spreads))
        elif worst < best[0] + 1e-12:
            best = (best[0], min(best[1], sum(spreads)))
    return best


def check_whole(found: Matching, rows: Rows, size: int) -> None:
    tags = [part.tag for each in found.sets for part in each.parts]
    tags += [part.tag for part in found.leftovers]
    assert sorted(tags) == sorted(f"T{n}" for n in range(len(rows)))
    assert all(len(each.parts) == size for each in found.sets)
    for each in found.sets:
        columns = zip(*(part.values for part in each.parts), strict=True)
        spread = max((max(c) - min(c)) / (sum(c) / len(c)) for c in columns)
        assert each.spread == pytest.approx(spread, rel=1e-9, abs=1e-15)
    assert found.worst_spread == max(each.spread for each in found.sets)
    assert found.bound <= found.worst_spread * (1 + 1e-9)


@pytest.mark.parametrize("parts", range(2, 11))
@pytest.mark.parametrize("dimensions", [1, 2])
def test_every_tray_up_to_ten_agrees_with_brute_force(parts: int, dimensions: int) -> None:
    draw = random.Random(100 * parts + dimensions)
    for size in range(2, parts + 1):
        for count in {1, parts // size}:
            for coarse in (False, True):
                values = [draw.gauss(250, 5) for _ in range(dimensions * parts)]
                if coarse:  # many equal values: ties everywhere
                    values = [float(draw.choice([245, 250, 255])) for _ in values]
                rows = list(zip(*[iter(values)] * dimensions, strict=True))
                found = match(rows, size, count)
                worst, total = brute_force(rows, size, count)
                check_whole(found, rows, size)
                assert found.optimal
                assert found.worst_spread == pytest.approx(worst, rel=1e-9, abs=1e-12)
                assert sum(s.spread for s in found.sets) == pytest.approx(total, abs=1e-9)
                assert found.bound == found.worst_spread


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(1, 100), st.sampled_from([1.0, 1.1, 3.0, 50.0])), min_size=4, max_size=8
    ),
    st.integers(2, 4),
)
def test_wild_values_agree_with_brute_force(rows: Rows, size: int) -> None:
    found = match(rows, size)
    worst, _ = brute_force(rows, size, len(rows) // size)
    check_whole(found, rows, size)
    assert found.worst_spread == pytest.approx(worst, rel=1e-9, abs=1e-12)


def test_neighbours_in_sorted_order_are_not_always_best() -> None:
    # For range over mean, unlike for the range, sorted neighbours can be beaten.
    draw = random.Random(5)
    beaten = 0
    for _ in range(400):
        rows = sorted((draw.uniform(1, 10),) for _ in range(8))
        neighbours = max(
            set_spread((tuple(r[0] for r in rows),), members)
            for members in (tuple(range(4)), tuple(range(4, 8)))
        )
        beaten += match(rows, 4).worst_spread < neighbours * (1 - 1e-9)
    assert beaten > 0


@pytest.mark.parametrize("seed", range(12))
def test_the_complete_search_needs_no_good_start(seed: int) -> None:
    draw = random.Random(seed)
    rows = [(draw.gauss(250, 40), draw.gauss(14.5, 3)) for _ in range(9)]
    columns = tuple(zip(*rows, strict=True))
    size = draw.choice([2, 3, 4])
    count = 9 // size
    start = [tuple(range(n * size, (n + 1) * size)) for n in range(count)]
    sets, finished = complete_search(columns, size, count, start, None)
    worst, total = brute_force(rows, size, count)
    assert finished
    assert key_of(columns, sets) == pytest.approx((worst, total), rel=1e-9)


def test_a_search_that_ran_out_of_budget_says_so() -> None:
    columns = (tuple(float(n) for n in range(1, 13)),)
    start: Sets = [(0, 4, 8, 9), (1, 5, 6, 10), (2, 3, 7, 11)]
    sets, finished = complete_search(columns, 4, 3, start, 3)
    assert not finished
    assert sorted(i for s in sets for i in s) == list(range(12))


def test_twelve_in_sets_of_four_is_exact() -> None:
    draw = random.Random(12)
    rows: Rows = [(draw.gauss(250, 6), draw.gauss(14.5, 0.2)) for _ in range(12)]
    found = match(rows, 4)
    worst, total = brute_force(rows, 4, 3)
    assert found.optimal
    assert found.worst_spread == pytest.approx(worst, rel=1e-12)
    assert sum(s.spread for s in found.sets) == pytest.approx(total, rel=1e-12)


@pytest.mark.parametrize("dimensions", [1, 2, 3])
def test_forty_eight_parts_have_a_stated_bound_near_the_best_found(dimensions: int) -> None:
    draw = random.Random(48 + dimensions)
    rows = [tuple(draw.gauss(250, 5) for _ in range(dimensions)) for _ in range(48)]
    found = match(rows, 4)
    check_whole(found, rows, 4)
    assert found.leftovers == ()
    assert 0 < found.bound <= found.worst_spread
    assert found.worst_spread < found.bound * (1.02 if dimensions == 1 else 1.35)
    assert f"none can be below {100 * found.bound:.3g} %" in found.sentence() or found.optimal
    assert match(rows, 4) == found  # the same tray gives the same sets


def test_more_than_twelve_is_not_called_optimal_without_proof() -> None:
    draw = random.Random(3)
    rows = [(draw.gauss(250, 5), draw.gauss(14, 1), draw.gauss(2, 0.2)) for _ in range(48)]
    found = match(rows, 4)
    assert not found.optimal
    assert found.bound < found.worst_spread
    assert "best found" in found.sentence()
    equal = match([(250.0,)] * 48, 4)
    assert equal.optimal
    assert equal.worst_spread == 0.0


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(1, 20), st.floats(1, 3)), min_size=4, max_size=7), st.data())
def test_the_bound_is_never_above_the_best(rows: Rows, data: st.DataObject) -> None:
    size = data.draw(st.integers(2, min(4, len(rows))))
    count = data.draw(st.integers(1, len(rows) // size))
    columns = tuple(zip(*rows, strict=True))
    worst, _ = brute_force(rows, size, count)
    assert lower_bound(columns, size, count) <= worst * (1 + 1e-9) + 1e-12


@given(st.lists(st.floats(1, 100), min_size=2, max_size=6))
def test_a_ratio_bounds_the_spread(values: list[float]) -> None:
    column = (tuple(values),)
    spread = set_spread(column, tuple(range(len(values))))
    assert spread >= spread_of_ratio(max(values) / min(values), len(values)) - 1e-12


def test_leftovers_are_those_that_fit_worst_and_are_named() -> None:
    rows: Rows = [(v,) for v in (250.0, 251.0, 249.0, 250.5, 300.0)]
    found = match(rows, 4)
    assert [part.tag for part in found.leftovers] == ["T4"]
    assert found.to_json()["leftovers"] == ["T4"]


def test_json_has_values_definition_and_bound() -> None:
    # (255 - 246) / 250.25: the set of the trade's spread definition.
    found = match([(252.0,), (248.0,), (255.0,), (246.0,)], 4)
    data = found.to_json()
    assert data["sets"] == [
        {
            "tags": ["T3", "T1", "T0", "T2"],
            "values": [246.0, 248.0, 252.0, 255.0],
            "spread_percent": pytest.approx(3.5964, abs=1e-3),
        }
    ]
    assert data["optimal"] is True
    assert data["worst_spread_percent"] == data["bound_percent"]
    assert data["spread_definition"] == "(max - min) / mean"
    two = match([(1.0, 2.0), (1.0, 2.0)], 2).to_json()
    assert two["sets"][0]["values"] == {"c0": [1.0, 1.0], "c1": [2.0, 2.0]}


@pytest.mark.parametrize(
    ("rows", "size", "count", "word"),
    [
        ([(1.0,)] * 3, 4, None, "no set of 4"),
        ([(1.0,)] * 3, 1, None, "two parts or more"),
        ([(1.0,)] * 8, 4, 3, "1 to 2 sets"),
        ([(1.0,), (0.0,)], 2, None, "above zero"),
        ([(1.0,), (float("nan"),)], 2, None, "above zero"),
    ],
)
def test_what_cannot_be_matched_is_refused(
    rows: Rows, size: int, count: int | None, word: str
) -> None:
    with pytest.raises(UsageError, match=word):
        match(rows, size, count)


def test_a_tag_belongs_to_one_part() -> None:
    twice = [TaggedValues(tag="A", values=(1.0,))] * 2
    with pytest.raises(UsageError, match="twice: A"):
        match_sets(twice, 2)


# --- the file -----------------------------------------------------------------------------------


def values_file(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "v.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_commas_and_semicolons_quotes_and_other_columns(tmp_path: Path) -> None:
    expected = [
        TaggedValues(tag="A 1", values=(252.5,)),
        TaggedValues(tag="B", values=(248.0,)),
    ]
    for text in (
        "tag,value\nA 1,252.5\n\nB,248\n",
        "\ufeffTag;Value;note\r\nA 1;252,5;x\r\nB;248;\r\n",
        'note,value,tag\n"a, b",252.5,"A 1"\nx,2.48e2,B\n',
    ):
        assert read_values(values_file(tmp_path, text)) == expected


def test_every_bad_row_is_named_by_its_line(tmp_path: Path) -> None:
    text = "tag,value\nA,1\nB,x\nC\n,4\nA,5\nD,nan\nE,-2\nF,1_0\nG,\n"
    with pytest.raises(InputFileError) as caught:
        read_values(values_file(tmp_path, text))
    found = caught.value.findings
    assert [f.line for f in found] == [3, 4, 5, 6, 7, 8, 9, 10]
    assert "line 2" in found[3].message


@pytest.mark.parametrize(
    ("text", "line", "word"),
    [
        ("", 1, "header"),
        ("tag,value\n", 1, "no row"),
        ("tags,values\nA,1\n", 1, "named tag and value"),
        ("A,1\nB,2\n", 1, "named tag and value"),
        (b"tag,value\nA,\xff\n", 2, "UTF-8"),
        ('tag,value\n"A\nB",1\nC,z\n', 4, "not a number"),
    ],
)
def test_a_file_of_another_kind_is_refused(
    tmp_path: Path, text: str | bytes, line: int, word: str
) -> None:
    with pytest.raises(InputFileError) as caught:
        read_values(values_file(tmp_path, text))
    (finding,) = caught.value.findings
    assert (finding.line, word in finding.message) == (line, True), finding


@settings(deadline=None)
@given(st.binary(max_size=60) | st.text(alphabet='tagvlue,;"\n\r0123.x', max_size=60))
def test_no_bytes_bring_anything_but_values_or_findings(
    tmp_path_factory: pytest.TempPathFactory, content: str | bytes
) -> None:
    path = values_file(tmp_path_factory.mktemp("v"), content)
    header = b"" if isinstance(content, bytes) else b"tag,value\n"
    path.write_bytes(header + path.read_bytes())
    try:
        found = read_values(path)
    except InputFileError:
        return
    assert found
    assert len({part.tag for part in found}) == len(found)
    assert all(part.values[0] > 0 for part in found)
