# SPDX-License-Identifier: GPL-3.0-or-later
"""What the groups of a recipe must be to its tracks and to each other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter

from dsp.recipe.scalars import nearest, shown
from dsp.recipe.tree import Place

Members = Mapping[str, tuple[str, ...]]
Found = tuple[Place, str]


@dataclass(frozen=True)
class GroupView:
    """As much of a group as could be read: its key, what its steps listen to, and its members.

    `sources` and `of` hold names as they are given, each with its place within the group.
    """

    key: str | None
    sources: tuple[tuple[Place, str], ...]
    of: tuple[tuple[Place, str], ...]


def in_order(members: Members) -> list[str]:
    """Names of groups, each after those that it sums; otherwise as given.

    Raises `graphlib.CycleError` on a circle.
    """
    sorter = TopologicalSorter(
        {name: [m for m in of if m in members] for name, of in members.items()}
    )
    return list(sorter.static_order())


def member_faults(groups: Mapping[str, GroupView], tracks: list[str]) -> Iterator[Found]:
    """Yield the place and the message of each member that cannot be summed."""
    for name, group in groups.items():
        others = [*tracks, *(other for other in groups if other != name)]
        for place, member in group.of:
            if member == name:
                message = f"found {shown(member)}, the group itself; accepted: {', '.join(others)}"
                yield ("groups", name, *place), message
            elif member not in others:
                message = f"found the member {shown(member)}; {nearest(member, others)}"
                yield ("groups", name, *place), message
    yield from _circle(groups)


def _circle(groups: Mapping[str, GroupView]) -> Iterator[Found]:
    """Yield one circle of groups, where there is one, at its first group."""
    try:
        in_order(
            {
                name: tuple(member for _, member in group.of if member != name)
                for name, group in groups.items()
            }
        )
    except CycleError as error:
        ring = list(reversed(error.args[1]))[:-1]  # each is a member of the one before
        first = next(i for name in groups for i, other in enumerate(ring) if other == name)
        ring = [*ring[first:], *ring[:first]]
        place = next(place for place, member in groups[ring[0]].of if member == ring[1])
        way = " → ".join([*ring, ring[0]])
        yield (
            ("groups", ring[0], *place),
            f"found a circle of groups, {way}; accepted: groups that do not hold themselves",
        )
