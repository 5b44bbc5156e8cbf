"""The examples in the docstrings of the methods and of the assessors' modules are true."""

import doctest
import importlib
import inspect
import pkgutil

import pytest

import bulkflow.laboratory
import bulkflow.statistics
import panels.assessors
import panels.methods

MODULES = [
    f"{package.__name__}.{found.name}"
    for package in (bulkflow.statistics, bulkflow.laboratory, panels.methods, panels.assessors)
    for found in pkgutil.iter_modules(package.__path__)
]
# Refusals, types and quadrature rules: exercised by every other module's examples.
WITHOUT_EXAMPLES = {
    "bulkflow.statistics.arguments",
    "panels.methods.mixed_model",
    "panels.methods.reml",
    "panels.assessors.selection",
    "panels.assessors.register",  # of a register: its own tests fill one
}


@pytest.mark.parametrize("name", MODULES)
def test_examples_are_true(name: str) -> None:
    module = importlib.import_module(name)
    result = doctest.testmod(module)
    assert result.failed == 0
    assert result.attempted > 0 or name in WITHOUT_EXAMPLES


@pytest.mark.parametrize("name", sorted(set(MODULES) - WITHOUT_EXAMPLES))
def test_what_is_public_is_declared_and_has_an_example(name: str) -> None:
    module = importlib.import_module(name)
    declared = {public for public in module.__all__ if hasattr(module, public)}
    assert declared == set(module.__all__)
    own = [
        function
        for public, function in inspect.getmembers(module, inspect.isfunction)
        if function.__module__ == name and not public.startswith("_")
    ]
    assert [f.__name__ for f in own if ">>>" not in (f.__doc__ or "")] in (
        [],
        EXEMPT.get(name, []),
    )
    assert [f.__name__ for f in own if f.__name__ not in module.__all__] == []


# Functions whose result is a table too long for an example, tested by name elsewhere.
EXEMPT = {
    "panels.methods.rank_distributions": [
        "exact_friedman_possible",
        "exact_page_possible",
        "friedman_exact_p",
        "page_exact_p",
    ],
    "panels.methods.dunnett": ["sizes_to_loadings"],
    "panels.methods.scoring": ["scores_cube"],
    "panels.methods.ordinal": ["treatment_design"],
    "panels.methods.protocols": ["check_sided"],
    "panels.methods.discrimination": ["true_proportion"],
    "panels.assessors.performance": ["performance_from_table"],
}
