"""Training, validation and test parts of a data set, without leaks between cuts of one video.

Whatever comes from one video, or on request from one folder of footage (the same place on the
same day, mostly), goes into one part as a whole. Files with the same content are one anyway.
The parts depend on the contents alone, not on order or names: the same footage always falls the
same way, and footage that is added later moves none of the old from the test part to training
unless the shares ask for it.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Final

#: Names of the parts, as data sets usually call them.
PARTS: Final = ("train", "validation", "test")


def split_groups(groups: Mapping[str, int], shares: Sequence[float]) -> dict[str, str]:
    """Return the part of each group.

    Parameters
    ----------
    groups : for each group, by a name that stays, how many spans it has
    shares : of `PARTS`; they sum to 1

    The groups are taken in the order of a digest of their names, and each goes to the part
    that lacks most of its share of spans so far.
    """
    order = sorted(groups, key=lambda name: hashlib.sha256(name.encode()).hexdigest())
    filled: dict[str, int] = defaultdict(int)
    total = 0
    found: dict[str, str] = {}
    for name in order:
        total += groups[name]
        lacks = [share * total - filled[part] for part, share in zip(PARTS, shares, strict=True)]
        part = PARTS[max(range(len(PARTS)), key=lambda i: (lacks[i], -i))]
        found[name] = part
        filled[part] += groups[name]
    return found
