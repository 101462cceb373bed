"""Which lamps stand on one mast, and in which order.

Heads of a mast stand above one another, on one line or on alternate sides of it, at like
distances, with lenses of one size. Every way to share out the lamps among masts is weighed
against every other (`mastread.vision.chains` has the figures); the likeliest is taken, and how
likely it is goes along, for where masts stand close together no one can be sure.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.chains import MOST_HEADS, chain_score, may_link
from mastread.vision.types import Box

#: More lamps than this in one neighbourhood are joined pair by pair instead of weighed in full.
_MOST_AT_ONCE: Final = 10
#: A spot is a possible further head of a mast if that is at least this likely (log-ratio).
_POSSIBLE: Final = -3.0

#: How surely a grouping must be known by its geometry for the picture not to be asked.
_PLAIN: Final = 0.98

#: Log-ratio, in nats, of two lamps being neighbours on one mast, from elsewhere (the picture).
Witness = Callable[[int, int], float]


@dataclass(frozen=True, slots=True)
class Group:
    """Heads of one mast, top to bottom, as indices into the table that was grouped.

    `staggered` is the probability that they stand on alternate sides, None for a single head;
    `odds` the probability that just these lamps, and no others of those given, are one mast.
    """

    members: tuple[int, ...]
    staggered: float | None
    odds: float = 1.0


def group(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    radius: NDArray[np.float64],
    witness: Witness | None = None,
) -> list[Group]:
    """Masts of one view, left to right.

    Parameters
    ----------
    x, y, radius : (N,) places and apparent radii of heads that are there at the same time
    witness : what else speaks for or against that two lamps, the upper one first, are neighbours
        on one mast; asked only where it is not plain from where the lamps stand
    """
    lamps = np.stack([x, y, radius], axis=1).astype(np.float64).reshape(-1, 3)
    order = np.argsort(lamps[:, 1], kind="stable")
    below = {
        int(i): [int(j) for j in order[k + 1 :] if may_link(lamps[i], lamps[j])]
        for k, i in enumerate(order)
    }
    groups: list[Group] = []
    for together in _neighbourhoods(below):
        chains = _chains(together, below)
        weighed = {chain: chain_score(lamps[list(chain)]) for chain in chains}
        scores = {(i,): 0.0 for i in together} | {c: s for c, (s, _) in weighed.items()}
        share = _share_out if len(together) <= _MOST_AT_ONCE else _join_up
        shared = share(together, scores)
        if witness is not None and min(odds for _, odds in shared) < _PLAIN:
            scores = {c: s + _by_links(c, witness) for c, s in scores.items()}
            shared = share(together, scores)
        groups += [
            Group(members, weighed[members][1] if len(members) > 1 else None, odds)
            for members, odds in shared
        ]
    return sorted(groups, key=lambda g: float(np.mean(lamps[list(g.members), 0])))


def fits(heads: Sequence[tuple[float, float, float]], spot: tuple[float, float, float]) -> bool:
    """Could a spot be a further head of a mast whose heads are these? All as (x, y, radius)."""
    if len(heads) >= MOST_HEADS:
        return False
    lamps = np.array(sorted([*heads, spot], key=lambda lamp: lamp[1]), np.float64)
    if not all(may_link(a, b) for a, b in itertools.pairwise(lamps)):
        return False
    without = np.array(sorted(heads, key=lambda lamp: lamp[1]), np.float64)
    alone = chain_score(without)[0] if len(heads) > 1 else 0.0
    return chain_score(lamps)[0] - alone >= _POSSIBLE


def _by_links(chain: tuple[int, ...], witness: Witness) -> float:
    """What a witness says of a chain: the sum over its links."""
    return sum(witness(upper, lower) for upper, lower in itertools.pairwise(chain))


def _neighbourhoods(below: dict[int, list[int]]) -> list[list[int]]:
    """Lamps that hang together by possible links, top to bottom in each neighbourhood."""
    root = {i: i for i in below}

    def find(i: int) -> int:
        while root[i] != i:
            i = root[i]
        return i

    for i, others in below.items():
        for j in others:
            root[find(j)] = find(i)
    found: dict[int, list[int]] = {}
    for i in below:
        found.setdefault(find(i), []).append(i)
    return list(found.values())


def _chains(together: list[int], below: dict[int, list[int]]) -> list[tuple[int, ...]]:
    """Every chain of two heads and more."""
    found: list[tuple[int, ...]] = []
    growing: list[tuple[int, ...]] = [(i,) for i in together]
    while growing:
        growing = [
            (*chain, j) for chain in growing if len(chain) < MOST_HEADS for j in below[chain[-1]]
        ]
        found += growing
    return found


def _share_out(
    together: list[int], scores: dict[tuple[int, ...], float]
) -> list[tuple[tuple[int, ...], float]]:
    """The likeliest way to share out lamps among masts, and the odds of each of its masts."""
    place = {i: k for k, i in enumerate(together)}
    options: list[list[tuple[int, float, tuple[int, ...]]]] = [[] for _ in together]
    for chain, score in scores.items():
        bits = sum(1 << place[i] for i in chain)
        options[min(place[i] for i in chain)].append((bits, score, chain))

    @cache
    def weight(left: int) -> float:
        """Log-sum over all ways to share out what is left."""
        if not left:
            return 0.0
        first = (left & -left).bit_length() - 1
        ways = [s + weight(left & ~b) for b, s, _ in options[first] if b & left == b]
        return float(np.logaddexp.reduce(ways))

    @cache
    def best(left: int) -> tuple[float, tuple[tuple[int, ...], ...]]:
        if not left:
            return 0.0, ()
        first = (left & -left).bit_length() - 1
        ways = []
        for bits, score, chain in options[first]:
            if bits & left == bits:
                rest = best(left & ~bits)
                ways.append((score + rest[0], (chain, *rest[1])))
        return max(ways)

    everything = (1 << len(together)) - 1
    whole = weight(everything)
    out = []
    for chain in best(everything)[1]:
        bits = sum(1 << place[i] for i in chain)
        out.append((chain, float(np.exp(scores[chain] + weight(everything & ~bits) - whole))))
    return out


def _join_up(
    together: list[int], scores: dict[tuple[int, ...], float]
) -> list[tuple[tuple[int, ...], float]]:
    """The same for many lamps, by taking the chain that gains most, again and again.

    How likely each is is judged against the chains that compete for its lamps.
    """
    left = set(together)
    out = []
    for chain, score in sorted(scores.items(), key=lambda item: (-item[1], -len(item[0]))):
        if not left.issuperset(chain):
            continue
        left -= set(chain)
        rivals = [s for c, s in scores.items() if c != chain and set(c) & set(chain)]
        out.append((chain, float(np.exp(score - np.logaddexp.reduce([score, *rivals])))))
    return out


def box(x: NDArray[np.float64], y: NDArray[np.float64], radius: NDArray[np.float64]) -> Box:
    """Box round the heads with the room that their hoods and discs take, pixels."""
    room = 3.2 * float(radius.max())
    return (
        float(x.min() - room),
        float(y.min() - room),
        float(x.max() + room),
        float(y.max() + room),
    )
