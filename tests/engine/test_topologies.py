"""Shipped procedures on split-phase, three-phase, and mixed pairings, on the bench of their size."""

import pytest

import benchrunner


@pytest.mark.parametrize(
    ("procedure", "pairing"),
    [
        ("discharge-to-target", "dune9-spit7"),
        ("island-load-steps", "dune9-spit7"),
        ("island-load-steps", "fell15-ridge12"),
        ("grid-return", "fell15-ridge12"),
        ("export-on-grid", "fell15-ridge8-corrie2"),
        ("load-rejection", "tarn6-corrie5-beck60"),
    ],
)
def test_it_passes(procedure, pairing, tmp_path):
    record = benchrunner.run(procedure, pairing, "simulated-15kw", out=tmp_path)
    bad = [(c["id"], c["value"], c["verdict"]) for c in record.checks if c["verdict"] != "pass"]
    assert not bad


def test_pv_above_the_rating_fails_as_such(tmp_path):
    """Load rejection on the pairing whose PV is rated above its battery inverter: the bus does not stay up."""
    record = benchrunner.run("load-rejection", "tarn6-corrie9", "simulated-15kw", out=tmp_path)
    ended = next(e["data"] for e in record.events if e["kind"] == "ended")
    assert not ended["finished"]
    assert (
        "bus.frequency" in ended["reason"]
    )  # a dead bus has none: the guard is blind, and the bench is made safe
    assert ended["safe"] == "confirmed"
