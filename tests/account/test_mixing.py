"""What a drawing may contain, on random histories, against every way liquid can have gone.

The other way: the history as a network in time, each vessel a node a day, each amount moved an arc
of that capacity, and the most of a lot that can be in a bottling the largest flow from the lot
into it. The least is what is left of the bottling when as much as can be came from all else.
"""

from collections import defaultdict
from datetime import date, timedelta
from decimal import Decimal

import networkx as nx
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from bulkflow.account.acts import enter, transfer
from bulkflow.account.agreement import disagreements
from bulkflow.account.bodies import Holding, Transfer
from bulkflow.account.held_liquid import held_liquid
from bulkflow.account.recall import NodeKind, behind_bottle, beyond_lot
from bulkflow.account.tables import ACCOUNT
from bulkflow.errors import InputError
from bulkflow.loads.tables import LOADS
from bulkflow.lots.acts import lift_hold, place_holds
from bulkflow.lots.explaining import explain_lot
from bulkflow.lots.parentage import ancestors_of
from bulkflow.lots.register import open_register
from bulkflow.records import Actor, settings_for

from .conftest import Ticking
from .making import STILL, a_load, a_lot, an_entry, bottled, received, release

D = Decimal
FIRST = date(2027, 1, 4)
ANN = Actor("Ann", "ann")


class History:
    """A random history, and its network in time."""

    def __init__(self, session, rng):
        self.session, self.rng = session, rng
        self.day = FIRST
        self.has = defaultdict(int)  # vessel: LPA
        self.arcs = []  # (vessel, day, vessel or bottling, LPA)
        self.lots = {}  # lot: (vessel, LPA left)
        self.loads, self.there, self.number = {}, {}, 0

    def run(self, steps):
        for _ in range(steps):
            self.day += timedelta(days=self.rng.randint(0, 2))
            self.number += 1
            act = self.rng.choice(
                ["lot", "lot", "load", "come", "bottle", "bottle", "stock", "move"]
            )
            getattr(self, act)(f"{self.number}")

    def move_to(self, source, target, lpa):
        self.arcs.append((source, self.day, target, lpa))
        self.has[source] -= lpa
        self.has[target] += lpa

    def lot(self, n):
        lpa, tank = self.rng.randint(50, 500), self.rng.choice([None, None, "T1", "T2"])
        a_lot(self.session, f"D{n}", str(lpa), on=self.day, tank_id=tank)
        release(self.session, f"D{n}")
        vessel = f"tank {tank}" if tank else f"lot D{n}"
        self.lots[f"D{n}"] = [vessel, lpa]
        self.move_to(f"new D{n}", vessel, lpa)

    def load(self, n):
        some = [(name, lot) for name, lot in self.lots.items() if lot[1] > 1]
        self.rng.shuffle(some)
        shares = {name: self.rng.randint(1, lot[1]) for name, lot in some[:2]}
        if not shares or self.day > date(2027, 1, 20):
            return
        a_load(self.session, f"L{n}", {k: str(v) for k, v in shares.items()}, leaves=self.day)
        for name, lpa in shares.items():
            self.lots[name][1] -= lpa
            self.move_to(self.lots[name][0], f"way L{n}", lpa)
        self.loads[f"L{n}"] = sum(shares.values())

    def come(self, n):
        if not self.loads:
            return
        name = self.rng.choice(sorted(self.loads))
        sent = self.loads.pop(name)
        lost = self.rng.choice([0, 0, 1]) if sent > 2 else 0
        received(self.session, name, str(sent - lost), on=self.day)
        self.move_to(f"way {name}", "stock", sent - lost)
        if lost:
            self.move_to(f"way {name}", "lost", lost)
        self.there[name] = sent - lost

    def stock(self, n):
        lpa = self.rng.randint(10, 300)
        enter(self.session, an_entry(str(lpa), "bought in", on=self.day))
        self.move_to(f"bought {n}", "stock", lpa)
        self.there["stock"] = self.there.get("stock", 0) + lpa

    def bottle(self, n):
        some = [name for name, lpa in self.there.items() if lpa > 0]
        if not some:
            return
        name = self.rng.choice(sorted(some))
        lpa = self.rng.randint(1, self.there[name])
        source = ("stock", "dry", str(lpa)) if name == "stock" else ("load", name, str(lpa))
        bottled(self.session, f"B{n}", [source], on=self.day)
        self.there[name] -= lpa
        self.move_to("stock", f"bottles B{n}", lpa)

    def move(self, n):
        """Pumped from one lot into another."""
        some = [name for name, lot in self.lots.items() if lot[1] > 1]
        if len(some) < 2:
            return
        source, target = self.rng.sample(sorted(some), 2)
        lpa = self.rng.randint(1, self.lots[source][1])
        ends = [Holding(place=STILL, kind="lot", name=name) for name in (source, target)]
        body = Transfer(liquid_id="dry", lpa=D(lpa), on=self.day, source=ends[0], target=ends[1],
                        reason="test")  # fmt: skip
        transfer(self.session, body)
        self.lots[source][1] -= lpa
        self.lots[target][1] += lpa
        if self.lots[source][0] != self.lots[target][0]:
            self.move_to(self.lots[source][0], self.lots[target][0], lpa)

    def network(self):
        """What comes on a day mixes before anything leaves: one node a vessel and day."""
        graph = nx.DiGraph()
        days = defaultdict(set)
        for source, day, target, _ in self.arcs:
            days[source].add(day)
            days[target].add(day)
        for vessel, on in days.items():
            for before, after in zip(sorted(on), sorted(on)[1:], strict=False):
                graph.add_edge((vessel, before), (vessel, after), capacity=0)
        has = defaultdict(int)
        for source, day, target, lpa in self.arcs:
            edge = ((source, day), (target, day))
            before = graph.edges[edge]["capacity"] if graph.has_edge(*edge) else 0
            graph.add_edge(*edge, capacity=before + lpa)
            for vessel, sign in ((source, -1), (target, 1)):
                has[vessel, day] += sign * lpa
        for vessel, on in days.items():
            running = 0
            for before, after in zip(sorted(on), sorted(on)[1:], strict=False):
                running += has[vessel, before]
                graph.edges[(vessel, before), (vessel, after)]["capacity"] = max(running, 0)
        return graph

    def most(self, sources, bottling):
        """The most that some sources can have given to a bottling."""
        graph = self.network()
        days = [day for _, day, target, _ in self.arcs if target == f"bottles {bottling}"]
        for source, day, _, lpa in self.arcs:
            if source in sources:
                graph.add_edge("from", (source, day), capacity=lpa)
        if "from" not in graph:
            return 0
        return nx.maximum_flow_value(graph, "from", (f"bottles {bottling}", days[0]))


@pytest.mark.full
@given(rng=st.randoms(use_true_random=False), steps=st.integers(8, 20))
@settings(
    max_examples=5, deadline=None, derandomize=True, phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)  # fmt: skip
def test_recall_names_every_bottle_and_no_other(rng, steps):
    memory = settings_for(".", "sqlite:///:memory:")
    with open_register(memory, LOADS, ACCOUNT, clock=Ticking()) as store:
        with store.write(ANN) as session:
            history = History(session, rng)
            history.run(steps)
        bottles = [t.removeprefix("bottles ") for _, _, t, _ in history.arcs if "bottles" in t]
        news = {source for source, *_ in history.arcs if source.startswith(("new ", "bought "))}
        with store.read() as session:
            back = {name: behind_bottle(session, name) for name in bottles}
            for lot in history.lots:
                found = {
                    one.name: one for one in beyond_lot(session, lot).of_kind(NodeKind.BOTTLING)
                }
                for name in bottles:
                    filled = next(lpa for *_, t, lpa in history.arcs if t == f"bottles {name}")
                    most = history.most({f"new {lot}"}, name)
                    least = filled - history.most(news - {f"new {lot}"}, name)
                    assert (name in found) == (most > 0)
                    behind = {one.name: one for one in back[name].of_kind(NodeKind.LOT)}
                    assert (lot in behind) == (most > 0)
                    for one in (found.get(name), behind.get(lot)):
                        if one is not None:
                            assert one.least <= least + D("0.001")
                            assert one.most >= most - D("0.001")
                            assert one.least <= one.lpa <= one.most
                            assert one.most <= filled


def test_one_tank_for_the_liquid(store, ann):
    """Drawn as stock after a load with a bad lot came into the same tank."""
    with store.write(ann) as session:
        enter(session, an_entry("300"))
        a_lot(session, "BAD", "1000")
        a_lot(session, "GOOD", "1000")
        for name in ("BAD", "GOOD"):
            release(session, name)
        a_load(session, "L-1", {"BAD": "700"})
        a_load(session, "L-2", {"GOOD": "900"})
        received(session, "L-1", "700")
        bottled(session, "EARLY", [("stock", "dry", "100")], on=date(2027, 1, 21))
        bottled(session, "STOCK", [("stock", "dry", "150")], on=date(2027, 1, 22))
        bottled(session, "LOAD", [("load", "L-1", "650")], on=date(2027, 1, 25))
        received(session, "L-2", "900", on=date(2027, 1, 26))
        bottled(session, "OTHER", [("load", "L-2", "40")], on=date(2027, 1, 27))
    with store.read() as session:
        found = {one.name: one for one in beyond_lot(session, "BAD").of_kind(NodeKind.BOTTLING)}
        other = {one.name: one for one in behind_bottle(session, "OTHER").of_kind(NodeKind.LOT)}
    figures = {name: (one.least, one.lpa, one.most) for name, one in found.items()}
    assert figures == {
        # 150 of 900 LPA, of which 700 are bad and 200 not
        "STOCK": (D(0), D("116.667"), D(150)),
        # 650 of 750 LPA: at least 450, since no more than 200 can be good
        "LOAD": (D(450), D("505.556"), D(650)),
        # 40 of 1,000 LPA, of which at most the 100 left are bad
        "OTHER": (D(0), D("3.111"), D(40)),
    }
    assert set(other) == {"BAD", "GOOD"}


def refused(store, ann, name, sources):
    with store.write(ann) as session, pytest.raises(InputError) as caught:
        bottled(session, name, sources)
    return str(caught.value)


@pytest.mark.full
@pytest.mark.parametrize("held", ["N-1", "D-1", "DEP-1"])
def test_what_is_held_is_not_bottled_whatever_it_became(store, ann, held):
    """The mother, the lot that was loaded, the lot that the load became."""
    with store.write(ann) as session:
        a_lot(session, "N-1", "5000", liquid="neutral")
        a_lot(session, "D-1", "3000", parents={"N-1": "3500"})
        a_lot(session, "D-2", "3000")
        for name in ("D-1", "D-2"):
            release(session, name)
        a_load(session, "L-1", {"D-1": "2000"}, to="depot")
        received(session, "L-1", "2000", site="depot", as_lot="DEP-1")
        release(session, "DEP-1")
        a_load(session, "L-2", {"D-1": "500"})
        received(session, "L-2", "500")
        a_load(session, "L-3", {"D-2": "700"})
        received(session, "L-3", "700", on=date(2027, 1, 25))
    with store.write(ann) as session:
        place_holds(session, [held], "an off-note was reported")
    with (
        store.write(ann) as session,
        pytest.raises(InputError, match=f"(of|from) {held}|{held} is held"),
    ):
        bottled(session, "B-1", [("lot", "DEP-1", "100")], site="depot")
    if held != "DEP-1":
        for sources in ([("load", "L-2", "100")], [("load", "L-3", "100")]):
            assert f"LPA of {held}, which is held: an off-note" in refused(
                store, ann, "B-2", sources
            )
        with store.read() as session:
            for load, most in (("L-1", "2,000.000"), ("L-2", "500.000"), ("L-3", "")):
                told = [one.words for one in held_liquid(session, "load", load)]
                assert [f"up to {most} LPA of {held}" in one for one in told] == [True] * bool(most)
            told = "; ".join(one.reason for one in explain_lot(session, "DEP-1").gates)
            assert f"made from {held}, which is held" in told
            behind = {one.lot_id for one in ancestors_of(session, "DEP-1")}
        assert behind == {"D-1", "N-1"}
    with store.write(ann) as session:
        lift_hold(session, held, "it was the glass")
        bottled(session, "B-3", [("load", "L-3", "100")])
    with store.read() as session:
        assert disagreements(session) == []
