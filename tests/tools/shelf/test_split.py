"""Parts of a data set: nothing of one group in two of them, whatever the order."""

from __future__ import annotations

from collections import Counter

from hypothesis import given
from hypothesis import strategies as st

from mastread.tools.shelf.split import PARTS, split_groups

GROUPS = st.dictionaries(st.text(min_size=1, max_size=8), st.integers(1, 9), max_size=60)


@given(GROUPS, st.randoms())
def test_each_group_falls_into_one_part_whatever_the_order(groups: dict, rng: object) -> None:
    names = list(groups)
    rng.shuffle(names)  # type: ignore[attr-defined]
    found = split_groups({name: groups[name] for name in names}, (0.8, 0.1, 0.1))
    assert found == split_groups(groups, (0.8, 0.1, 0.1))
    assert set(found) == set(groups)
    assert set(found.values()) <= set(PARTS)


@given(st.integers(30, 300))
def test_the_shares_are_kept_as_well_as_groups_allow(count: int) -> None:
    parts = Counter(split_groups({f"v{i}": 1 for i in range(count)}, (0.8, 0.1, 0.1)).values())
    for part, share in zip(PARTS, (0.8, 0.1, 0.1), strict=True):
        assert abs(parts[part] - share * count) <= 1.5


def test_a_part_without_a_share_stays_empty() -> None:
    parts = Counter(split_groups({f"v{i}": 1 + i % 3 for i in range(50)}, (0.5, 0.5, 0.0)).values())
    assert set(parts) == {"train", "validation"}
