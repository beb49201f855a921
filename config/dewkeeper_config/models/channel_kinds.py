"""Which kinds of channel there are: ours in a plain union, others by the entry-point group `dewkeeper.channel_models`.

There the name is the kind, and the object a subclass of `ChannelConfig`. `dewkeeper.channels` is the group of what sends.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from functools import lru_cache, reduce
from operator import or_
from typing import TYPE_CHECKING, Annotated, Any, Final, get_args, get_type_hints

from dewkeeper_config.models.channels import AbsentChannel, AppriseChannel, ChannelConfig, MailChannel, WebhookChannel

if TYPE_CHECKING:
    from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
    from pydantic.json_schema import JsonSchemaValue
    from pydantic_core import CoreSchema
    from pydantic_core.core_schema import ValidationInfo, ValidatorFunctionWrapHandler

CHANNEL_MODEL_GROUP: Final = "dewkeeper.channel_models"
ABSENT_ALLOWED: Final = "absent channels allowed"
"""Key of the validation's context with which a kind that nobody knows becomes an `AbsentChannel`."""


def _kinds_of(model: type[ChannelConfig]) -> tuple[str, ...]:
    """Return what `kind` may be: the one word of a kind of channel."""
    return get_args(get_type_hints(model)["kind"])


_OURS = WebhookChannel | MailChannel | AppriseChannel
_OUR_KINDS: Final = tuple(_kinds_of(model)[0] for model in get_args(_OURS))


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
    if _kinds_of(model) != (kind,):
        raise TypeError(f'its `kind` is not Literal["{kind}"]')
    return model


def _by_their_kind(installed: tuple[type[ChannelConfig], ...]) -> Any:
    """Return the union of our kinds and these, which is read by `kind`."""
    from pydantic import Field

    members: Any = reduce(or_, installed, _OURS)
    return Annotated[members, Field(discriminator="kind")]


class _ByKind:
    """Holds an entry to the model of its kind, wherever that comes from."""

    def __get_pydantic_core_schema__(self, _source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        from pydantic_core import core_schema

        ours = handler.generate_schema(_by_their_kind(()))
        return core_schema.with_info_wrap_validator_function(_by_kind, ours)

    def reader(self, reader: Callable[[Any], Callable[[Any], Any]]) -> Callable[[Any], ChannelConfig]:
        """Return what reads the plain form of a channel of ours; others need their package, and are read by pydantic."""

        def read(value: Any) -> ChannelConfig:
            kind = value.get("kind") if isinstance(value, dict) else None
            if kind not in _OUR_KINDS:
                raise ValueError("not one of our channels")
            made: ChannelConfig = reader(get_args(_OURS)[_OUR_KINDS.index(kind)])(value)
            return made

        return read

    def __get_pydantic_json_schema__(self, _schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        from dewkeeper_config.door import adapter

        return handler(adapter(_by_their_kind(installed_kinds())).core_schema)


def _by_kind(given: Any, ours: ValidatorFunctionWrapHandler, info: ValidationInfo) -> ChannelConfig:
    kind = given.get("kind") if isinstance(given, dict) else getattr(given, "kind", None)
    if not isinstance(kind, str) or kind in _OUR_KINDS:
        return ours(given)  # type: ignore[no-any-return]
    from pydantic_core import PydanticCustomError

    from dewkeeper_config.door import adapter, checked

    good, broken = _installed(tuple(sys.path))
    if kind not in good and (info.context or {}).get(ABSENT_ALLOWED):
        return checked(AbsentChannel, given)
    if kind in broken:
        raise PydanticCustomError("union_tag_broken", "{why}", {"why": broken[kind]})
    return adapter(_by_their_kind(installed_kinds())).validate_python(given)  # type: ignore[no-any-return]


Channel = Annotated[ChannelConfig, _ByKind()]
