"""Which wiring proof a shipped procedure is, on a shipped pairing: of the whole bench, or of each leg or phase."""

import pytest

from benchrunner import data
from benchrunner.cards.bench import read_bench
from benchrunner.cards.pairing import read_pairing
from benchrunner.engine.prepare import phases_proved
from benchrunner.procedure.order import unroll
from benchrunner.procedure.reader import read


@pytest.mark.parametrize(
    ("procedure", "pairing", "bench", "phases"),
    [
        ("wiring-proof", "tarn6-corrie5", "simulated", 1),
        ("wiring-proof-legs", "dune9-spit7", "simulated-split-phase", 2),
        ("wiring-proof-legs", "fell15-ridge12", "simulated-three-phase", 3),
    ],
)
def test_phases_proved(procedure: str, pairing: str, bench: str, phases: int) -> None:
    card = read_pairing(data.find(pairing, "resources", "pairings"))
    values = {**card.values(), **read_bench(data.find(bench, "resources", "benches")).values()}
    order = unroll(read(data.find(procedure, "procedures")), values, {}, seed=1)
    assert phases_proved(order, card) == phases == (card.phases)
