# SPDX-License-Identifier: GPL-3.0-or-later
"""A step as a recipe writes it: `- level: {gain: 3 dB}`, or `- level` for its defaults.

`AnyStep` is the type of a setting that holds such a step. It looks the name up in the registry
when a value arrives, so that declaring it builds nothing and imports no step.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, NoReturn, get_args

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler, ValidationError
from pydantic_core import CoreSchema, InitErrorDetails, PydanticCustomError, core_schema

from dsp.recipe.scalars import nearest, shown

if TYPE_CHECKING:
    from dsp.steps.base import Step

FAULT = "recipe_fault"  # the type of an error whose message is ours already
STEP_SCHEMA = {"x-step": True}  # stands for any step until the schema is put together


def refuse(message: str) -> PydanticCustomError:
    """Make an error that carries a finished message through pydantic."""
    return PydanticCustomError(FAULT, "{message}", {"message": message})


def registry() -> dict[str, type[Step]]:
    """Return the steps by name; imported late, for the import costs more than all of this."""
    from dsp.steps import STEPS

    return STEPS


def read_step(found: Any) -> Step:
    """Turn what a recipe wrote (or a finished step) into a step.

    Raises ValueError: a `PydanticCustomError`, or a `ValidationError` whose places begin with
    the step's name.
    """
    from dsp.steps.base import Step

    if isinstance(found, Step):
        return found
    name, settings = _name_and_settings(found)
    steps = registry()
    if name not in steps:
        raise refuse(f"found the step {shown(name)}; {nearest(name, list(steps))}")
    try:
        return steps[name].model_validate({} if settings is None else settings)
    except ValidationError as error:
        _raise_under(name, error)


def _name_and_settings(found: Any) -> tuple[str, Any]:
    if isinstance(found, str):
        return found, None
    if not isinstance(found, dict) or not found:
        raise refuse(f"found {shown(found)}; accepted: a step, by name or as name: settings")
    if len(found) > 1:
        names = ", ".join(shown(name) for name in found)
        raise refuse(
            f"found {len(found)} names in one step ({names}); accepted: one step after each dash, "
            "its settings indented under its name"
        )
    name, settings = next(iter(found.items()))
    return str(name), settings


def _raise_under(name: str, error: ValidationError) -> NoReturn:
    """Raise the same errors with the step's name before their places."""
    known = get_args(core_schema.ErrorType)
    details = []
    for e in error.errors(include_url=False):
        kind = e["type"] if e["type"] in known else refuse(e["msg"])
        details.append(
            InitErrorDetails(
                type=kind, loc=(name, *e["loc"]), input=e["input"], ctx=e.get("ctx", {})
            )
        )
    raise ValidationError.from_exception_data(name, details) from None


class StepItem:
    """Annotation of a setting that holds a step of any kind."""

    def __get_pydantic_core_schema__(
        self, _source: Any, _handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            read_step,
            serialization=core_schema.plain_serializer_function_ser_schema(write_step),
        )

    def __get_pydantic_json_schema__(
        self, _schema: CoreSchema, _handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return dict(STEP_SCHEMA)


def write_step(step: Step) -> dict[str, Any]:
    """Turn a step into what a recipe writes; the reverse of `read_step`.

    What is not set has no place in a recipe: None is the default of every setting that takes it.
    """
    return {step.name: step.model_dump(mode="json", exclude_none=True)}


if TYPE_CHECKING:
    AnyStep = Step
else:
    AnyStep = Annotated[Any, StepItem()]
