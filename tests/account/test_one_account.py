"""One liquid, one account: whatever is done in whatever order, held against plain bookkeeping.

The bookkeeping here is a dictionary: each act that was taken, and what it put under which name on
which day. It knows nothing of records, corrections or reversals: an act corrected is another list
in its place, an act reversed is gone. From it alone follows which act must be refused (some name
would have less than nothing on some day) and what everything has afterwards.
"""

import secrets
from collections import defaultdict
from datetime import date, timedelta
from decimal import Decimal
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    rule,
    run_state_machine_as_test,
)

from bulkflow.account.acts import bottle, close_quarter, enter, reverse, take_back, transfer
from bulkflow.account.agreement import disagreements
from bulkflow.account.bodies import ClosedBalance, Closing, Holding, Transfer
from bulkflow.account.journey import receive
from bulkflow.account.ledger import (
    OUTER,
    balances_on,
    folded_anew,
    not_by_lot,
    postings_in,
    read_ledger,
)
from bulkflow.account.tables import ACCOUNT
from bulkflow.errors import InputError
from bulkflow.loads.tables import LOADS
from bulkflow.lots.acts import correct_lot
from bulkflow.lots.queries import list_lots
from bulkflow.lots.register import open_register
from bulkflow.lots.tables import LOT
from bulkflow.records import Actor, settings_for
from bulkflow.records.chain import records_about

from .conftest import Ticking
from .making import (
    DEPOT,
    NORTH,
    STILL,
    a_bottling,
    a_gauging,
    a_load,
    a_load_under_way,
    a_lot,
    an_entry,
    release,
)

D = Decimal
FIRST = date(2027, 1, 4)
DAYS = st.integers(0, 200).map(lambda days: FIRST + timedelta(days=days))
AMOUNTS = st.integers(1, 4_000).map(D)
SITES = st.sampled_from([STILL, NORTH])
PICKS = st.randoms(use_true_random=False)
WAY, HEELS, NONE = "on the way", "heels in tanks", ""


class Account(RuleBasedStateMachine):
    """All acts on one liquid, late and corrected, in any order."""

    url = "sqlite:///:memory:"

    def __init__(self):
        super().__init__()
        self.folder = TemporaryDirectory()
        self.ann = Actor("Ann", "ann")
        self.number = 0
        self.acts = {}  # name of the act: [(place, holder, day, lpa)]
        self.lots = {}  # lot: [site, lpa, day, {parent: lpa}]
        self.loads = {}  # load: [destination, day left, {lot: lpa}, received or None]
        self.bottlings = {}  # bottling: (record, site, day, sources)
        self.entries = {}  # act: record
        self.closed = {}
        self.drawn = {}  # load: the lot it was drawn from

    @initialize()
    def begin(self):
        self.store = open_register(
            settings_for(self.folder.name, self.url), LOADS, ACCOUNT, clock=Ticking()
        )
        for _ in range(2):
            self.lot(D("2500.125"), FIRST, STILL)
        self.under_way(D(3000), FIRST)

    def teardown(self):
        if hasattr(self, "store"):
            self.store.close()
        self.folder.cleanup()

    # --- the plain bookkeeping ----------------------------------------------------------------

    def held(self, acts=None, on=None):
        """What each name has at the end of a day, by place and name."""
        found = defaultdict(D)
        for moves in (self.acts if acts is None else acts).values():
            for place, holder, day, lpa in moves:
                if on is None or day <= on:
                    found[place, holder] += lpa
        return {key: lpa for key, lpa in found.items() if lpa}

    def fits(self, acts):
        by_name = defaultdict(lambda: defaultdict(D))
        for moves in acts.values():
            for place, holder, day, lpa in moves:
                by_name[place, holder][day] += lpa
        for days in by_name.values():
            running = D(0)
            for day in sorted(days):
                running += days[day]
                if running < 0:
                    return False
        return True

    def attempt(self, name, moves, work):
        """Do an act; it must be refused exactly where the bookkeeping has too little."""
        after = {key: value for key, value in self.acts.items() if key != name}
        if moves is not None:
            after[name] = moves
        try:
            with self.store.write(self.ann) as session:
                made = work(session)
        except InputError as error:
            assert not self.fits(after), f"refused without need: {error}"
            return None
        assert self.fits(after), "taken, though somebody then has less than nothing"
        self.acts = after
        return made or True

    def new(self, letter):
        self.number += 1
        return f"{letter}-{self.number}"

    def pick(self, picks, names):
        names = sorted(names)
        return picks.choice(names) if names else None

    # --- lots ---------------------------------------------------------------------------------

    def of_lot(self, name, site, lpa, day, parents):
        moves = [(site, f"lot {name}", day, lpa)]
        for parent, drawn in parents.items():
            moves.append((self.lots[parent][0], f"lot {parent}", day, -drawn))
        return moves

    @rule(lpa=AMOUNTS, on=DAYS, site=SITES)
    def lot(self, lpa, on, site):
        name = self.new("D")

        def work(session):
            a_lot(session, name, str(lpa), on=on, site=site)
            release(session, name)

        if self.attempt(name, self.of_lot(name, site, lpa, on, {}), work):
            self.lots[name] = [site, lpa, on, {}]

    @rule(picks=PICKS, drawn=AMOUNTS, lpa=AMOUNTS, on=DAYS)
    def made_from(self, picks, drawn, lpa, on):
        name, parent = self.new("M"), self.pick(picks, self.lots)
        if parent is None:
            return

        def work(session):
            a_lot(session, name, str(lpa), parents={parent: str(drawn)}, on=on)
            release(session, name)

        if self.attempt(name, self.of_lot(name, STILL, lpa, on, {parent: drawn}), work):
            self.lots[name] = [STILL, lpa, on, {parent: drawn}]

    @rule(picks=PICKS, lpa=AMOUNTS, on=DAYS, move=st.booleans())
    def lot_corrected(self, picks, lpa, on, move):
        """Another amount, another day; where it moves, what was taken of it was taken there."""
        # A lot that a load became is corrected with the receipt of the load.
        name = self.pick(picks, [name for name in self.lots if not name.startswith("R-")])
        if name is None:
            return
        site, _, _, parents = self.lots[name]
        there = {STILL: DEPOT, DEPOT: STILL}.get(site, site) if move else site
        if any(
            source == ("lot", name) for *_, sources in self.bottlings.values() for source in sources
        ):
            there = site  # the bottling would have been somewhere else

        def work(session):
            record = records_about(session, name, kinds=["lot"])[-1]
            body = LOT.read(record.version, record.body)
            measured = body.measurement.model_copy(update={"lpa": lpa, "litres_20c": lpa * 2})
            change = {"measurement": measured, "made_on": on, "site_id": there}
            return correct_lot(session, body.model_copy(update=change))

        before = self.acts
        self.acts = {
            act: [
                (there if (place, holder) == (site, f"lot {name}") else place, holder, day, amount)
                for place, holder, day, amount in moves
            ]
            for act, moves in before.items()
        }
        if self.attempt(name, self.of_lot(name, there, lpa, on, parents), work):
            self.lots[name] = [there, lpa, on, parents]
        else:
            self.acts = before

    # --- loads --------------------------------------------------------------------------------

    @rule(lpa=AMOUNTS, on=DAYS)
    def under_way(self, lpa, on):
        name = self.new("W")
        on = min(on, date(2027, 1, 20))
        moves = [(WAY, f"load {name}", on, lpa)]
        if self.attempt(name, moves, lambda s: a_load_under_way(s, name, str(lpa), leaves=on)):
            self.loads[name] = [on, lpa, None]

    @rule(picks=PICKS, lpa=AMOUNTS, on=DAYS)
    def sent(self, picks, lpa, on):
        name, lot = self.new("L"), self.pick(picks, self.lots)
        if lot is None:
            return
        on = min(on, date(2027, 1, 20))
        moves = [
            (self.lots[lot][0], f"lot {lot}", on, -lpa),
            (WAY, f"load {name}", on, lpa),
        ]
        if self.attempt(name, moves, lambda s: a_load(s, name, {lot: str(lpa)}, leaves=on)):
            self.loads[name] = [on, lpa, None]
            self.drawn[name] = lot

    @rule(picks=PICKS, on=DAYS)
    def came_back(self, picks, on):
        """All that is left on the way goes back into its lot, or to the stock of who sent it."""
        name = self.pick(picks, [one for one, load in self.loads.items() if load[2] is None])
        if name is None:
            return
        day, lot = max(on, self.loads[name][0]), self.drawn.get(name)
        left = sum(lpa for moves in self.acts.values() for place, who, _, lpa in moves
                   if (place, who) == (WAY, f"load {name}"))  # fmt: skip
        if left <= 0:
            return
        site, holder = (self.lots[lot][0], f"lot {lot}") if lot else (STILL, NONE)
        moves = [(WAY, f"load {name}", day, -left), (site, holder, day, left)]
        if self.attempt(f"back {name}", moves, lambda s: take_back(s, name, day, "refused")):
            del self.loads[name]

    @rule(picks=PICKS, less=st.integers(-9, 9).map(D), heel=st.integers(0, 3).map(D), on=DAYS,
          as_lot=st.booleans())  # fmt: skip
    def came(self, picks, less, heel, on, as_lot):
        """Received; received again, it is a correction of what came on the first day."""
        name = self.pick(picks, self.loads)
        if name is None:
            return
        left, sent, before = self.loads[name]
        lpa, day = max(sent - less - heel, D(1)), max(on, left)
        if before is not None:
            day, as_lot = before
        lot = f"R-{name}" if as_lot else None
        holder = f"lot {lot}" if as_lot else f"load {name}"
        part = sum(lpa for act, moves in self.acts.items() if act.startswith("T")
                   for place, who, _, lpa in moves
                   if (place, who) == (WAY, f"load {name}"))  # fmt: skip
        moves = [
            (NORTH, holder, day, lpa),
            (HEELS, f"load {name}", day, heel),
            (WAY, f"load {name}", day, -(sent + part)),
        ]
        gauging = a_gauging(name, str(lpa), heel_lpa=heel, as_lot=lot, on=day)

        def work(session):
            made = receive(session, [gauging])
            if as_lot and before is None:
                release(session, lot)
            return made

        if before is None and sent + part <= 0:
            return  # all of it came or was lost already
        if self.attempt(f"came {name}", moves, work):
            self.loads[name][2] = (day, as_lot)
            if as_lot:
                self.lots[lot] = [NORTH, lpa, day, {}]

    # --- out of it ----------------------------------------------------------------------------

    def sources(self, picks):
        """A source at the site: a lot, a load received there, or stock."""
        there = [("lot", name, lot[0]) for name, lot in self.lots.items()]
        there += [("load", name, NORTH) for name, load in self.loads.items() if load[2]]
        there += [("stock", "dry", NORTH), ("stock", "dry", STILL)]
        return picks.choice(sorted(there))

    @staticmethod
    def holder(kind, name):
        return NONE if kind == "stock" else f"{kind} {name}"

    @rule(picks=PICKS, lpa=AMOUNTS, on=DAYS, again=st.booleans())
    def bottles(self, picks, lpa, on, again):
        """A lot of bottles from any source; or another in the place of one that stands."""
        name = self.pick(picks, self.bottlings) if again else None
        correct = name is not None
        name = name or self.new("B")
        kind, source, site = self.sources(picks)
        body = a_bottling(name, [(kind, source, str(lpa))], site=site, on=on)
        moves = [(site, self.holder(kind, source), on, -lpa)]
        made = self.attempt(name, moves, lambda s: bottle(s, [body], correct=correct))
        if made:
            self.bottlings[name] = (made[-1].seq, site, on, [(kind, source)])

    @rule(picks=PICKS, lpa=st.integers(-900, 900).filter(bool).map(D), on=DAYS,
          kind=st.sampled_from(["stocktake", "correction"]))  # fmt: skip
    def entered(self, picks, lpa, on, kind):
        what, source, site = self.sources(picks)
        named = {"lot": {"lot_id": source}, "load": {"load_id": source}}.get(what, {})
        name = self.new("E")
        entry = an_entry(str(lpa), kind, site=site, on=on, **named)
        moves = [(site, self.holder(what, source), on, lpa)]
        made = self.attempt(name, moves, lambda s: enter(s, entry))
        if made:
            self.entries[name] = made.seq

    @rule(picks=PICKS, lpa=st.integers(1, 3).map(D), on=DAYS)
    def heel_back(self, picks, lpa, on):
        load = self.pick(picks, [name for name, load in self.loads.items() if load[2]])
        if load is None:
            return
        name, entry = self.new("E"), an_entry(str(lpa), "heel returned", on=on, load_id=load)
        moves = [(HEELS, f"load {load}", on, -lpa), (NORTH, NONE, on, lpa)]
        made = self.attempt(name, moves, lambda s: enter(s, entry))
        if made:
            self.entries[name] = made.seq

    @rule(picks=PICKS, lpa=AMOUNTS, on=DAYS, lost=st.booleans(), way=st.booleans())
    def moved(self, picks, lpa, on, lost, way):
        """From one name to another of the same site, or away; from a load on its way, too."""
        name, kind, source, site = self.new("T"), *self.sources(picks)
        waiting = [load for load, facts in self.loads.items() if facts[2] is None]
        if way and waiting:
            kind, source, site = "load", self.pick(picks, waiting), WAY
        ends = [("stock", "dry")] + [("lot", lot) for lot, facts in self.lots.items()
                                     if facts[0] == site]  # fmt: skip
        goal = NORTH if site == WAY else site
        target = picks.choice(sorted(ends)) if site != WAY else ("stock", "dry")
        if not lost and (goal, target) == (site, (kind, source)):
            return
        body = Transfer(
            liquid_id="dry", lpa=lpa, on=on, reason="test",
            source=Holding(place=site, kind=kind, name=source),
            target=None if lost else Holding(place=goal, kind=target[0], name=target[1]),
        )  # fmt: skip
        moves = [(site, self.holder(kind, source), on, -lpa)]
        if not lost:
            moves.append((goal, self.holder(*target), on, lpa))
        made = self.attempt(name, moves, lambda s: transfer(s, body))
        if made:
            self.entries[name] = made.seq

    @rule(picks=PICKS)
    def reversed(self, picks):
        """An act recorded by mistake."""
        name = self.pick(picks, [*self.entries, *self.bottlings])
        if name is None:
            return
        ways = [who for place, who, *_ in self.acts[name] if place == WAY]
        gone = (None, None, True)
        if any(self.loads.get(who.removeprefix("load "), gone)[2] for who in ways):
            return  # the receipt tells what is missing; test_ledger has the refusal
        bottling = name in self.bottlings
        record = self.bottlings[name][0] if bottling else self.entries[name]
        made = self.attempt(name, None, lambda s: reverse(s, record, "by mistake"))
        if made:
            (self.bottlings if bottling else self.entries).pop(name)

    @rule(site=SITES, quarter=st.sampled_from(["2027-Q1", "2027-Q2"]))
    def close(self, site, quarter):
        with self.store.write(self.ann) as session:
            ledger = read_ledger(session)
            last = {"2027-Q1": date(2027, 3, 31), "2027-Q2": date(2027, 6, 30)}[quarter]
            if last <= max(ledger.closings.get(site, (date.min,))):
                return
            here = {q: lpa for (p, q), lpa in ledger.balances(last).items() if p == site}
            balances = tuple(ClosedBalance(liquid_id=q, lpa=lpa) for q, lpa in here.items())
            closing = Closing(
                site_id=site, quarter=quarter, balances=balances, chain_head="1:0",
                return_sha256="0" * 64,
            )  # fmt: skip
            close_quarter(session, closing, today=date(2027, 8, 1))
        self.closed[site, last] = here

    # --- what holds ---------------------------------------------------------------------------

    @invariant()
    def everything_has_what_the_bookkeeping_says(self):
        if not hasattr(self, "store"):
            return
        with self.store.read() as session:
            ledger, postings = read_ledger(session), postings_in(session)
            assert disagreements(session) == []
            assert postings == folded_anew(session)
            assert balances_on(session) == ledger.balances()
            others = not_by_lot(session)
            left = {line.lot_id: line.lpa_left for line in list_lots(session)}
        sums, meant = defaultdict(D), self.held()
        for one in postings:
            if one.place not in OUTER:
                sums[one.place, one.holder] += one.lpa
        now = {key: lpa for key, lpa in sums.items() if lpa}
        assert now == meant, sorted(set(now.items()) ^ set(meant.items()))
        assert {(p, h): lpa for (p, _, h), lpa in others.items()} == {
            key: lpa for key, lpa in meant.items() if not key[1].startswith("lot ")
        }
        lots = {name: D(0) for name in self.lots}
        for (_, holder), lpa in self.held().items():
            if holder.startswith("lot "):
                lots[holder.removeprefix("lot ")] += lpa
        assert left == lots
        self.days_hold(postings)
        for (site, last), before in self.closed.items():
            now = ledger.balances(last)
            assert {q: lpa for (p, q), lpa in now.items() if p == site} == before

    def days_hold(self, postings):
        """On every day, as it happened and as it counts, nobody has less than nothing."""
        for day in ("happened", "day"):
            running = defaultdict(D)
            by_day = defaultdict(list)
            for one in postings:
                if one.place not in OUTER:
                    by_day[getattr(one, day)].append(one)
            for when in sorted(by_day):
                for one in by_day[when]:
                    running[one.key] += one.lpa
                assert min(running.values()) >= 0
                if day == "happened":
                    now = {(p, h): lpa for (p, _, h), lpa in running.items() if lpa}
                    assert now == self.held(on=when)


Account.TestCase.settings = settings(
    max_examples=4, stateful_step_count=35, deadline=None, derandomize=True,
    suppress_health_check=list(HealthCheck), report_multiple_bugs=False,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],  # to shrink takes many minutes
)  # fmt: skip
TestAccount = pytest.mark.full(Account.TestCase)


@pytest.mark.full
def test_longer_and_more():
    more = settings(Account.TestCase.settings, max_examples=20, stateful_step_count=60)
    run_state_machine_as_test(Account, settings=more)


@pytest.mark.full
@pytest.mark.postgres
def test_the_same_on_postgresql(postgres_url):
    import psycopg
    from sqlalchemy.engine import make_url

    class OnServer(Account):
        def __init__(self):
            super().__init__()
            self.schema = f"test_{secrets.token_hex(6)}"
            self.run(f"CREATE SCHEMA {self.schema}")
            url = make_url(postgres_url).update_query_dict(
                {"options": f"-csearch_path={self.schema}"}
            )
            self.url = url.render_as_string(hide_password=False)

        def teardown(self):
            super().teardown()
            self.run(f"DROP SCHEMA {self.schema} CASCADE")

        @staticmethod
        def run(statement):
            with psycopg.connect(postgres_url, autocommit=True) as connection:
                connection.execute(statement)

    few = settings(Account.TestCase.settings, max_examples=3)
    run_state_machine_as_test(OnServer, settings=few)
