"""What every table of the file is: a plain, frozen record of Python's own kind, and what its fields say of themselves.

Pydantic holds a file to these records (`door`), and only there: what was checked once is read again without it (`snapshot`),
for importing it takes a command longer than all else.
"""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from dataclasses import MISSING, FrozenInstanceError, dataclass, field, fields
from functools import lru_cache
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Self, TypeVar, dataclass_transform

from dewkeeper_config.values import CheckedBy, check_name

if TYPE_CHECKING:
    from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
    from pydantic.json_schema import JsonSchemaValue
    from pydantic_core import CoreSchema

Name = Annotated[str, CheckedBy(check_name)]


def Field(*, default: Any = MISSING, **says: Any) -> Any:
    """Return a field: its default, without one it must be given, and what pydantic's `Field` of that name takes besides."""
    if isinstance(default, (list, dict)):
        return field(default_factory=default.copy, metadata=says)
    return field(default=default, metadata=says)


@dataclass_transform(kw_only_default=True, frozen_default=True, field_specifiers=(Field, field))
class Model:
    """Base of every table: unknown keys are refused and nothing changes after loading.

    A subclass is a dataclass by itself. `given` are the keys that were written, the others have their defaults; it takes no
    part in comparing. What is made by hand is not checked: `door.checked` does that.
    """

    # Strict: `true` is not 1 and "60" is not 60; a quoted number is a slip, and "nan" would pass every comparison.
    __pydantic_config__: ClassVar[Any] = {
        "extra": "forbid",
        "validate_default": True,
        "strict": True,
        "allow_inf_nan": False,
        "hide_input_in_errors": True,
    }
    field_names: ClassVar[tuple[str, ...]] = ()
    _known: ClassVar[frozenset[str]] = frozenset()
    _needed: ClassVar[frozenset[str]] = frozenset()
    _defaults: ClassVar[dict[str, Any]] = {}
    _factories: ClassVar[dict[str, Any]] = {}
    given: ClassVar[frozenset[str]] = frozenset()

    def __init_subclass__(cls) -> None:
        # Without the methods a dataclass writes for each class anew, and compiles: there are two score of classes.
        dataclass(init=False, repr=False, eq=False, kw_only=True)(cls)
        every = fields(cls)  # type: ignore[arg-type]
        cls.field_names = tuple(one.name for one in every)
        cls._known = frozenset(cls.field_names)
        cls._defaults = {one.name: one.default for one in every if one.default is not MISSING}
        cls._factories = {one.name: one.default_factory for one in every if one.default_factory is not MISSING}
        cls._needed = cls._known - cls._defaults.keys() - cls._factories.keys()

    def __init__(self, **given: Any) -> None:
        names = given.keys()
        if not (self._needed <= names <= self._known):
            wrong = sorted(self._needed - names) or sorted(names - self._known)
            raise TypeError(f"{type(self).__name__} needs, or has not: {', '.join(wrong)}")
        # Past __setattr__, which refuses.
        self.__dict__.update(self._defaults)
        self.__dict__.update(given, given=frozenset(given))
        for name, make in self._factories.items():
            if name not in given:
                self.__dict__[name] = make()
        self.__post_init__()

    def __post_init__(self) -> None:
        """Hold the values to what one field cannot say. Raises ValueError."""

    def __setattr__(self, name: str, _value: object) -> None:
        raise FrozenInstanceError(f"{type(self).__name__}.{name} does not change")

    def __delattr__(self, name: str) -> None:
        raise FrozenInstanceError(f"{type(self).__name__}.{name} does not change")

    def __iter__(self) -> Iterator[tuple[str, Any]]:
        return ((key, self.__dict__[key]) for key in self.field_names)

    def __repr__(self) -> str:
        return f"{type(self).__name__}({', '.join(f'{key}={value!r}' for key, value in self)})"

    def __eq__(self, other: object) -> bool:
        return self is other or (type(self) is type(other) and list(self) == list(other))

    def __hash__(self) -> int:
        return hash((type(self), *(value for _, value in self)))

    def but(self, **values: Any) -> Self:
        """Return a copy with other values, which count as given. They are not checked."""
        made = type(self)(**dict(self) | values)
        made.__dict__["given"] = self.given | values.keys()
        return made

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        from pydantic_core import core_schema

        made = handler(source)
        own: Any = handler.resolve_ref_schema(made)
        own["strict"] = False  # a table of a file is a dict; what is in it is taken strictly all the same
        if own["schema"]["type"] != "function-wrap":
            own["schema"] = core_schema.no_info_wrap_validator_function(_noting_what_is_given, own["schema"])
        return made

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        made = handler(schema)
        table = handler.resolve_ref_schema(made)
        table["description"] = inspect.cleandoc(cls.__doc__ or "")
        for one in fields(cls):  # type: ignore[arg-type]
            if one.default_factory is not MISSING:
                # Pydantic's schema has no default that a function makes.
                table["properties"][one.name]["default"] = one.default_factory()
        return made


def _noting_what_is_given(table: Any, values_of: Any) -> Any:
    values, rest = values_of(table)
    values["given"] = frozenset(table)
    return values, rest


M = TypeVar("M", bound=Model)


@lru_cache(maxsize=256)
def _first(model: Model) -> Model:
    return model


def shared(model: M) -> M:
    """Return a model equal to this one, the same for all that are equal: most enclosures have the same limits, and each kept its own."""
    return _first(model)  # type: ignore[return-value]  # equal models are of one class
