"""A second person's signature on a sealed record, and time stamps. What was signed before stays untouched, byte for byte.

The new signature goes over the same header and names the digests of the signatures and time stamps before it, so that one of
them taken away later is noticed. The last one of a record can be taken away unnoticed: nothing after it says that it was
there.
"""

import os
import tempfile
from pathlib import Path

from benchrunner.errors import Problem, Refused
from benchrunner.record import container, signing, stamp
from benchrunner.record.keys import SigningKey
from benchrunner.record.seal import HEADER
from benchrunner.record.signing import Signature
from benchrunner.record.verify import SIGNATURES, Verification, verify


def countersign(
    path: Path | str, key: SigningKey, role: str = "reviewer", comment: str = "", server: str = ""
) -> Signature:
    """Add a signature to the record at `path`, in place (the file is replaced at once or not at all).

    `server`: address of a time-stamp server that is asked for a token over the new signature. Raises `Refused` for a
    record that is not whole, where this key has signed already, and where the server does not answer.
    """
    path = Path(path)
    state = _whole(path)
    if any(s.key.thumbprint == key.public.thumbprint for s in state.signatures):
        raise Refused(
            Problem(str(path), "is signed with this key already", "the second signature is another person's")
        )
    survey = container.survey(path)
    header = container.content(
        path, next(m for m in survey.members if m.name == HEADER), signing.LARGEST_HEADER
    )
    before = {m.name: survey.digests[m.name] for m in survey.members if m.name.startswith(SIGNATURES)}
    name = f"{SIGNATURES}{sum(n.endswith('.jws') for n in before) + 1:04d}"
    token = signing.sign(header, key, role=role, comment=comment, covers=before)
    added: list[tuple[str, container.Content]] = [(f"{name}.jws", token)]
    if server:
        added.append((f"{name}.tst", stamp.ask(server, token)))
    _add(path, survey, added)
    return signing.check(token, header, f"{name}.jws")


def timestamp(path: Path | str, server: str) -> list[str]:
    """Have every signature that carries no time stamp stamped by `server`; gives the parts that were stamped.

    Raises `Refused` as `countersign` does, and where there is nothing to stamp. A signature that a later one was made
    over can be stamped as well: that one names what was there before it, and minds nothing that comes later.
    """
    path = Path(path)
    state = _whole(path)
    survey = container.survey(path)
    wanted = [s.part for s in state.signatures if s.part not in state.stamps]
    if not wanted:
        if state.signatures:
            what, mend = (
                "each of its signatures is stamped already",
                "nothing is to be done; 'verify' shows the stamps",
            )
        else:
            what, mend = (
                "is not signed: there is nothing to stamp",
                "countersign it, or sign the next run (--key)",
            )
        raise Refused(Problem(str(path), what, mend))
    added: list[tuple[str, container.Content]] = []
    for part in wanted:
        member = next(m for m in survey.members if m.name == part)
        content = container.content(path, member, signing.LARGEST_TOKEN)
        added.append((part.removesuffix(".jws") + ".tst", stamp.ask(server, content)))
    _add(path, survey, added)
    return wanted


def _whole(path: Path) -> Verification:
    state = verify(path, allow_unsigned=True)
    if state.findings:
        raise Refused(Problem(str(path), f"is not whole: {state.findings[0]}", "sign only what verifies"))
    return state


def _add(path: Path, survey: container.Survey, added: list[tuple[str, container.Content]]) -> None:
    """Put the record's members and the added ones into a new file, and that in the old one's place."""
    members: list[tuple[str, container.Content]] = [
        (m.name, container.Slice(path, m.start, m.size)) for m in survey.members
    ]
    try:
        with tempfile.TemporaryDirectory(prefix=".signing-", dir=path.absolute().parent) as work:
            draft = Path(work) / "record"
            container.write(draft, [*members, *added])
            os.replace(draft, path)
    except OSError as error:
        raise Refused(
            Problem(str(path), f"cannot be written: {error.strerror}", "check the folder and the disk")
        ) from error
