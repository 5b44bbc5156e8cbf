"""Whose law holds where: of a site by its country, of a market by its own or its sites'."""

from __future__ import annotations

from bulkflow.rules import jurisdiction_of
from bulkflow.scenario.model import Market, Scenario, Site

__all__ = ["market_jurisdiction", "site_jurisdiction", "sites_of_market"]


def site_jurisdiction(site: Site) -> str | None:
    """Return the ISO code of a site's country; None where it is not known."""
    return jurisdiction_of(site.country)


def sites_of_market(scenario: Scenario, market: str) -> tuple[Site, ...]:
    """Return the sites that serve a market."""
    return tuple(site for site in scenario.sites if site.market == market)


def market_jurisdiction(scenario: Scenario, market: Market) -> str | None:
    """Return the ISO code of a market: its country's, its id where that is one, else its sites'.

    None where nothing names one, or its sites lie in several countries.
    """
    if market.country is not None:
        return jurisdiction_of(market.country)
    own = jurisdiction_of(market.id)
    if own is not None:
        return own
    places = {site_jurisdiction(site) for site in sites_of_market(scenario, market.id)}
    return places.pop() if len(places) == 1 else None
