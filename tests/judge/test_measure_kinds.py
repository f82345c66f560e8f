"""What kind of number each measure of the catalogue brings, so that none is said as another."""

from benchrunner.judge.kinds import COUNTS, DIFFERENCES, kind
from benchrunner.measure.catalogue import CATALOGUE


def test_the_kinds_are_those_of_the_catalogue() -> None:
    assert set(CATALOGUE) >= DIFFERENCES | COUNTS
    # a count is a number whatever its channel is, and says so
    counts = {name for name, spec in CATALOGUE.items() if spec.says.startswith(("how often", "faults"))}
    assert counts == COUNTS
    assert all(CATALOGUE[name].unit("V") == "1" for name in COUNTS)
    # a difference is in its channel's unit, and its words say that it is one
    words = (" less ", "distance")
    own = {
        name
        for name, spec in CATALOGUE.items()
        if spec.unit("V") == "V" and any(word in spec.says for word in words)
    }
    assert own == DIFFERENCES


def test_a_check_over_repeats_is_of_the_kind_of_what_it_makes() -> None:
    assert kind("spread of battery-peak") == "difference"
    assert kind("worst of battery-peak") == "level"
    assert kind("") == kind("a measure of a later version") == "level"
