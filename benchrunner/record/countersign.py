"""A second person's signature on a sealed record. What was signed before stays untouched, byte for byte.

The new signature goes over the same header and names the digests of the signatures before it, so that one of them taken
away later is noticed. The last signature of a record can be taken away unnoticed: nothing after it says that it was there.
"""

import os
import tempfile
from pathlib import Path

from benchrunner.errors import Problem, Refused
from benchrunner.record import container, signing
from benchrunner.record.keys import SigningKey
from benchrunner.record.seal import HEADER
from benchrunner.record.signing import Signature
from benchrunner.record.verify import SIGNATURES, verify


def countersign(path: Path | str, key: SigningKey, role: str = "reviewer", comment: str = "") -> Signature:
    """Add a signature to the record at `path`, in place (the file is replaced at once or not at all).

    Raises `Refused` for a record that is not whole, and where this key has signed already.
    """
    path = Path(path)
    state = verify(path, allow_unsigned=True)
    if state.findings:
        raise Refused(Problem(str(path), f"is not whole: {state.findings[0]}", "sign only what verifies"))
    if any(s.key.thumbprint == key.public.thumbprint for s in state.signatures):
        raise Refused(
            Problem(str(path), "is signed with this key already", "the second signature is another person's")
        )
    survey = container.survey(path)
    header = container.content(
        path, next(m for m in survey.members if m.name == HEADER), signing.LARGEST_HEADER
    )
    before = {m.name: survey.digests[m.name] for m in survey.members if m.name.startswith(SIGNATURES)}
    name = f"{SIGNATURES}{len(before) + 1:04d}.jws"
    token = signing.sign(header, key, role=role, comment=comment, covers=before)
    members: list[tuple[str, container.Content]] = [
        (m.name, container.Slice(path, m.start, m.size)) for m in survey.members
    ]
    try:
        with tempfile.TemporaryDirectory(prefix=".signing-", dir=path.absolute().parent) as work:
            draft = Path(work) / "record"
            container.write(draft, [*members, (name, token)])
            os.replace(draft, path)
    except OSError as error:
        raise Refused(
            Problem(str(path), f"cannot be written: {error.strerror}", "check the folder and the disk")
        ) from error
    return signing.check(token, header, name)
