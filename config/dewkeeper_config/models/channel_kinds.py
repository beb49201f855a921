"""Which kinds of channel there are: ours in a plain union, others by the entry-point group `dewkeeper.channel_models`.

There the name is the kind, and the object a subclass of `ChannelConfig`. `dewkeeper.channels` is the group of what sends.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from functools import lru_cache, reduce
from operator import or_
from typing import Annotated, Any, Final, get_args

from pydantic import Field, GetCoreSchemaHandler, GetJsonSchemaHandler, TypeAdapter
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from dewkeeper_config.models.channels import AbsentChannel, AppriseChannel, ChannelConfig, MailChannel, WebhookChannel

CHANNEL_MODEL_GROUP: Final = "dewkeeper.channel_models"
ABSENT_ALLOWED: Final = "absent channels allowed"
"""Key of the validation's context with which a kind that nobody knows becomes an `AbsentChannel`."""

_OURS = WebhookChannel | MailChannel | AppriseChannel
_OUR_KINDS: Final = tuple(get_args(model.model_fields["kind"].annotation)[0] for model in get_args(_OURS))


def installed_kinds() -> tuple[type[ChannelConfig], ...]:
    """Return the models of the kinds that installed packages bring and that can be used, in order of their kinds."""
    good, _ = _installed(tuple(sys.path))
    return tuple(good.values())


@lru_cache(maxsize=8)
def _installed(_path: tuple[str, ...]) -> tuple[Mapping[str, type[ChannelConfig]], Mapping[str, str]]:
    """Return the models that can be used, and of the others what is wrong; looked for once for each search path."""
    from importlib.metadata import entry_points  # who has only our kinds needs none of it

    good: dict[str, type[ChannelConfig]] = {}
    broken: dict[str, str] = {}
    for entry in sorted(entry_points(group=CHANNEL_MODEL_GROUP), key=lambda entry: entry.name):
        if entry.name in _OUR_KINDS:
            continue  # ours stand, as with drivers
        try:
            good[entry.name] = _held(entry.name, entry.load())
        except Exception as error:  # noqa: BLE001  importing a stranger's module may raise anything
            broken[entry.name] = f"its package cannot be used: {error}"
    return good, broken


def _held(kind: str, model: Any) -> type[ChannelConfig]:
    if not (isinstance(model, type) and issubclass(model, ChannelConfig)):
        raise TypeError(f"{model!r} is no subclass of ChannelConfig")
    if get_args(model.model_fields["kind"].annotation) != (kind,):
        raise TypeError(f'its `kind` is not Literal["{kind}"]')
    return model


@lru_cache(maxsize=8)
def _every_kind(installed: tuple[type[ChannelConfig], ...]) -> TypeAdapter[ChannelConfig]:
    members: Any = reduce(or_, installed, _OURS)
    return TypeAdapter(Annotated[members, Field(discriminator="kind")])


class _ByKind:
    """Holds an entry to the model of its kind, wherever that comes from."""

    def __get_pydantic_core_schema__(self, _source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        ours = handler.generate_schema(Annotated[_OURS, Field(discriminator="kind")])
        return core_schema.with_info_wrap_validator_function(
            _by_kind,
            ours,
            # By what each is, not by the union of ours: others are not in that.
            serialization=core_schema.wrap_serializer_function_ser_schema(
                lambda value, serialize: serialize(value), schema=core_schema.any_schema()
            ),
        )

    def __get_pydantic_json_schema__(self, _schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return handler(_every_kind(installed_kinds()).core_schema)


def _by_kind(
    given: Any, ours: core_schema.ValidatorFunctionWrapHandler, info: core_schema.ValidationInfo
) -> ChannelConfig:
    kind = given.get("kind") if isinstance(given, dict) else getattr(given, "kind", None)
    if not isinstance(kind, str) or kind in _OUR_KINDS:
        return ours(given)  # type: ignore[no-any-return]
    good, broken = _installed(tuple(sys.path))
    if kind not in good and (info.context or {}).get(ABSENT_ALLOWED):
        return AbsentChannel.model_validate(given)
    if kind in broken:
        raise PydanticCustomError("union_tag_broken", "{why}", {"why": broken[kind]})
    return _every_kind(installed_kinds()).validate_python(given)


Channel = Annotated[ChannelConfig, _ByKind()]
