"""What the package offers, and that its worked examples are true."""

from __future__ import annotations

import doctest
import importlib
import inspect
import pkgutil

import pytest

from bulkflow import alcoholometry, filling

ASKED_FOR = {
    "density",
    "density_from_strength",
    "density_in_air",
    "mass_fraction_from_density",
    "mass_fraction_from_strength",
    "reduce",
    "strength_from_density",
    "strength_from_hydrometer",
    "strength_from_mass_fraction",
}

MODULES = [
    f"{package.__name__}.{found.name}"
    for package in (alcoholometry, filling)
    for found in pkgutil.iter_modules(package.__path__)
]


@pytest.mark.parametrize("package", [alcoholometry, filling])
def test_the_list_of_names_is_whole_and_in_order(package) -> None:
    assert len(set(package.__all__)) == len(package.__all__)
    assert all(hasattr(package, name) for name in package.__all__)
    for name in package.__all__:
        value = getattr(package, name)
        if inspect.isfunction(value) or inspect.isclass(value):
            assert inspect.getdoc(value), f"{name} has no docstring"


def test_the_names_others_rely_on() -> None:
    assert set(alcoholometry.__all__) >= ASKED_FOR
    assert list(inspect.signature(alcoholometry.reduce).parameters) == [
        "volume", "strength", "target_strength", "temperature",
    ]  # fmt: skip
    assert list(inspect.signature(alcoholometry.strength_from_density).parameters) == [
        "density", "temperature",
    ]  # fmt: skip


@pytest.mark.parametrize("name", MODULES)
def test_examples(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name), optionflags=doctest.ELLIPSIS)
    assert result.failed == 0
