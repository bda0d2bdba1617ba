# SPDX-License-Identifier: GPL-3.0-or-later
"""Random valid recipes, made from what the registered steps declare."""

from __future__ import annotations

import types
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt, MaxLen, MinLen
from hypothesis import HealthCheck, reject, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from dsp.recipe import GroupRecipe, Recipe, TrackRecipe
from dsp.recipe.item import StepItem
from dsp.steps import STEPS, Step
from dsp.units import Quantity

ATTEMPTS = 20
FUZZ = settings(
    deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)  # the same cases at every run, on machines of any speed


def quantities(quantity: Quantity) -> st.SearchStrategy[Any]:
    low, high = quantity.low, quantity.high
    numbers: st.SearchStrategy[Any] = (
        st.integers(int(low), int(high)).map(float) if quantity.whole else st.floats(low, high)
    )
    return numbers | st.sampled_from(quantity.words) if quantity.words else numbers


def plain(kind: Any, notes: tuple[Any, ...]) -> st.SearchStrategy[Any]:
    """Values of a plain type, within the limits that annotate it."""
    low = next((n.ge if isinstance(n, Ge) else n.gt for n in notes if isinstance(n, Ge | Gt)), -99)
    high = next((n.le if isinstance(n, Le) else n.lt for n in notes if isinstance(n, Le | Lt)), 99)
    if kind is bool:
        return st.booleans()
    if kind is int:
        return st.integers(int(low), int(high))  # type: ignore[call-overload]
    if kind is float:
        return st.floats(float(low), float(high))  # type: ignore[arg-type]
    if kind is str:
        return st.sampled_from(["hits", "own"]) | st.text("abz 1e.-~'", min_size=1, max_size=8)
    if kind is type(None):
        return st.none()
    raise NotImplementedError(f"no values for {kind}")


def values(kind: Any, notes: tuple[Any, ...], depth: int) -> st.SearchStrategy[Any]:
    for note in notes:
        if isinstance(note, Quantity):
            return quantities(note)
        if isinstance(note, StepItem):
            return steps(depth + 1)
    origin: Any = get_origin(kind)
    if origin is Annotated:
        inner, *more = get_args(kind)
        return values(inner, (*notes, *more), depth)
    if origin is Literal:
        return st.sampled_from(get_args(kind))
    if origin in {Union, types.UnionType}:
        return st.one_of([values(choice, notes, depth) for choice in get_args(kind)])
    if origin in {tuple, list}:
        least = max((n.min_length for n in notes if isinstance(n, MinLen)), default=0)
        most = min((n.max_length for n in notes if isinstance(n, MaxLen)), default=least + 2)
        entries = st.lists(values(get_args(kind)[0], (), depth), min_size=least, max_size=most)
        return entries.map(tuple)
    if origin is dict:
        key, value = get_args(kind)
        return st.dictionaries(values(key, (), depth), values(value, (), depth), max_size=2)
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return models(kind, depth)
    return plain(kind, notes)


@st.composite
def models(draw: st.DrawFn, model: type[Any], depth: int = 0) -> Any:
    """Instances of `model`; settings that do not fit each other are dropped one by one."""
    chosen = {
        name: draw(values(field.annotation, tuple(field.metadata), depth))
        for name, field in model.model_fields.items()
        if needed(field) or draw(st.booleans())
    }
    for _ in range(ATTEMPTS):
        try:
            return model(**chosen)
        except ValidationError:
            optional = [name for name in chosen if not needed(model.model_fields[name])]
            if optional:
                del chosen[draw(st.sampled_from(optional))]
    return reject()


def needed(field: FieldInfo) -> bool:
    return field.is_required()


def steps(depth: int = 0) -> st.SearchStrategy[Step]:
    kinds = [kind for kind in STEPS.values() if depth < 2 or not holds_steps(kind)]
    return st.sampled_from(kinds).flatmap(lambda kind: models(kind, depth))


def holds_steps(kind: type[BaseModel]) -> bool:
    return any("StepItem" in repr(field) for field in kind.model_fields.values())


@st.composite
def recipes(draw: st.DrawFn) -> Recipe:
    """One track, whose steps may listen to any other; or two of which one is keyed; a group."""
    track = st.lists(steps(), max_size=3).map(tuple)
    about = draw(st.text(st.characters(codec="utf-8"), max_size=30))
    tracks = {"top": TrackRecipe(steps=draw(track))}
    sources = {source for step in tracks["top"].steps for source in step.sources()}
    if not sources and draw(st.booleans()):
        tracks["low tom"] = TrackRecipe(key="top", steps=())
    groups = {}
    if not sources and draw(st.booleans()):
        level = draw(st.floats(-60, 24))
        own = tuple(step for step in draw(track) if not step.sources())
        groups["sum"] = GroupRecipe(
            of={"top": level}, key=draw(st.none() | st.just("top")), steps=own
        )
    return Recipe(drumprint=1, about=about, tracks=tracks, groups=groups)
