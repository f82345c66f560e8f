"""PyVISA hands everybody in a process the same resource manager: whoever closes it must not end our links for good."""

import pyvisa

from benchrunner.bench.links.visa import manager


def test_a_manager_that_somebody_closed_is_made_anew() -> None:
    ours = manager()
    assert manager() is ours
    pyvisa.ResourceManager("@py").close()
    again = manager()
    assert again.session is not None
    assert manager() is again
