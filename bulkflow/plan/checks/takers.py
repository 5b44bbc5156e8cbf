"""Who could take a liquid at a site, or beyond it by lanes (README, "Origin class")."""

from __future__ import annotations

from functools import lru_cache

from bulkflow.plan.checks.asked import asked_for
from bulkflow.plan.checks.position import Position

__all__ = ["somebody_takes"]

ANYBODY = ""  # demand without a market, and recipes: they bar nothing

Takers = dict[tuple[str, str], frozenset[str]]


def somebody_takes(position: Position, site: str, liquid: str, barring: frozenset[str]) -> bool:
    """Return whether a class of a liquid can serve a demand or a recipe at a site or beyond.

    Where nobody at the site or beyond asks for the liquid at all, every class may go.
    """
    takers = _takers(position).get((site, liquid), frozenset())
    return not takers or bool(takers - barring)


@lru_cache(maxsize=4)
def _takers(position: Position) -> Takers:
    """Return the markets that a liquid can serve from each site."""
    there: dict[tuple[str, str], set[str]] = {}
    for site, liquid, market, _ in asked_for(position):
        there.setdefault((site, liquid), set()).add(market or ANYBODY)
    for site, liquid in _into_recipes(position):
        there.setdefault((site, liquid), set()).add(ANYBODY)
    reached = {key: frozenset(markets) for key, markets in there.items()}
    for _ in position.lanes:  # the longest way has no more lanes than there are
        before = dict(reached)
        for lane in position.scenario.lanes:
            for liquid in lane.liquids:
                here, beyond = (lane.origin, liquid), (lane.destination, liquid)
                joined = reached.get(here, frozenset()) | reached.get(beyond, frozenset())
                if joined:
                    reached[here] = joined
        if reached == before:
            break
    return reached


def _into_recipes(position: Position) -> set[tuple[str, str]]:
    """Return each site and liquid that a recipe run there takes."""
    found = set()
    for site in position.scenario.sites:
        for still in site.stills:
            for name in still.recipes:
                found |= {(site.id, one.liquid) for one in position.recipes[name].inputs}
    for recipe in position.scenario.recipes:
        if recipe.method == "let_down":
            found |= {(site, one.liquid) for site in recipe.sites for one in recipe.inputs}
    return found
