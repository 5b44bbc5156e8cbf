from decimal import Decimal

import pytest

from bulkflow.lots.acts import correct_lot, record_lots
from bulkflow.lots.parentage import ancestors_of, descendants_of, links_behind, links_beyond

from .making import a_lot, add


@pytest.fixture
def family(register, ann):
    """Two spirits in two distillates, blended, and the blend bottled in two.

    N1 600, N2 400 -> D1 (900 LPA); N2 300 -> D2 (280 LPA); D1 450, D2 150 -> B (590 LPA);
    B 200 -> C1 (199 LPA); B 100, N1 100 -> C2 (198 LPA).
    """
    with register.write(ann) as session:
        record_lots(
            session,
            [
                a_lot("N1", 2000, 50, liquid="base", supplier_id="S1"),
                a_lot("N2", 2000, 50, liquid="base", supplier_id="S2"),
                a_lot("D1", 1800, 50, parents={"N1": 600, "N2": 400}),
                a_lot("D2", 560, 50, parents={"N2": 300}),
                a_lot("B", 1180, 50, parents={"D1": 450, "D2": 150}),
                a_lot("C1", 398, 50, parents={"B": 200}),
                a_lot("C2", 396, 50, parents={"B": 100, "N1": 100}),
                a_lot("other", 100, 50),
            ],
        )
    with register.read() as session:
        yield session


def told(relations):
    return {r.lot_id: (r.generation, r.share, r.lpa) for r in relations}


def test_what_a_lot_was_made_from(family):
    # B is 3/4 D1 and 1/4 D2; D1 is 6/10 N1 and 4/10 N2; D2 is N2.
    assert told(ancestors_of(family, "B")) == {
        "D1": (1, Decimal("0.75"), Decimal("442.5")),
        "D2": (1, Decimal("0.25"), Decimal("147.5")),
        "N1": (2, Decimal("0.45"), Decimal("265.5")),
        "N2": (2, Decimal("0.55"), Decimal("324.5")),
    }
    # C2 is half B and half N1 directly: N1 is 1/2 + 1/2 * 0.45, nearest by one step.
    found = told(ancestors_of(family, "C2"))
    assert found["N1"] == (1, Decimal("0.725"), Decimal("143.55"))
    assert found["N2"] == (3, Decimal("0.275"), Decimal("54.45"))
    assert ancestors_of(family, "N1") == []
    assert [r.supplier_id for r in ancestors_of(family, "D1")] == ["S1", "S2"]


def test_what_was_made_from_a_lot(family):
    # Of D1's 900 LPA 4/10 come from N2; B has 0.55 of its 590; C1 as B; C2 half of that.
    assert told(descendants_of(family, "N2")) == {
        "D1": (1, Decimal("0.4"), Decimal(360)),
        "D2": (1, Decimal(1), Decimal(280)),
        "B": (2, Decimal("0.55"), Decimal("324.5")),
        "C1": (3, Decimal("0.55"), Decimal("109.45")),
        "C2": (3, Decimal("0.275"), Decimal("54.45")),
    }
    assert descendants_of(family, "C1") == []
    assert ancestors_of(family, "other") == descendants_of(family, "other") == []


def test_links_both_ways(family):
    behind = {(k.parent_id, k.child_id, k.lpa) for k in links_behind(family, "B")}
    assert behind == {
        ("D1", "B", Decimal(450)),
        ("D2", "B", Decimal(150)),
        ("N1", "D1", Decimal(600)),
        ("N2", "D1", Decimal(400)),
        ("N2", "D2", Decimal(300)),
    }
    beyond = {(k.parent_id, k.child_id) for k in links_beyond(family, "D2")}
    assert beyond == {("D2", "B"), ("B", "C1"), ("B", "C2")}


def test_a_corrected_lot_has_its_corrected_parents(register, ann):
    with register.write(ann) as session:
        add(session, "N1")
        add(session, "N2")
        add(session, "D1", 100, parents={"N1": 40})
        correct_lot(session, a_lot("D1", 100, parents={"N2": 40}))
        assert list(told(ancestors_of(session, "D1"))) == ["N2"]
        assert descendants_of(session, "N1") == []


def test_a_lattice_of_many_ways_is_walked_once(lite, ann):
    # 2^20 ways from top to bottom: followed way by way it would never end.
    with lite.write(ann) as session:
        lots = [a_lot("A0", 10000), a_lot("B0", 10000)]
        for level in range(1, 21):
            parents = {f"A{level - 1}": 10, f"B{level - 1}": 10}
            lots += [a_lot(f"{name}{level}", 10000, parents=parents) for name in "AB"]
        record_lots(session, lots)
        found = told(ancestors_of(session, "A20"))
        assert len(found) == 40
        assert found["A0"][:2] == (20, Decimal("0.5"))
        assert told(descendants_of(session, "B0"))["A20"][:2] == (20, Decimal("0.5"))
