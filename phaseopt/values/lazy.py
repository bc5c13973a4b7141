"""Public names of a package that are imported when they are first asked for, so that nothing heavy is before."""

from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def on_demand(package: str, places: Mapping[str, tuple[str, ...]]) -> Callable[[str], Any]:
    """A `__getattr__` for a package (PEP 562): `places` are its public names by the module that has them.

    No name may be that of a module: once imported, the module would be found in its place.

    >>> on_demand("collections", {"abc": ("Callable",)})("Callable").__name__
    'Callable'
    """
    module_of = {name: module for module, names in places.items() for name in names}
    if both := module_of.keys() & {module.partition(".")[0] for module in places}:
        raise ValueError(f"{package} has modules and public names that are called alike: {', '.join(sorted(both))}")

    def found(name: str) -> Any:
        if name not in module_of:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        value = getattr(import_module(f"{package}.{module_of[name]}"), name)
        setattr(import_module(package), name, value)
        return value

    return found
