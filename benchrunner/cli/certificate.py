"""`benchrunner keys certificate`: a certificate of one's own to sign reports with, for a laboratory that has none."""

import argparse
from pathlib import Path
from typing import Any


def arguments(verbs: Any) -> None:
    """The verb and its options."""
    made = verbs.add_parser(
        "certificate", help="make a certificate to sign PDF reports with (report --pdf --sign-with)"
    )
    made.add_argument("name", help="whose: as PDF readers will show it")
    made.add_argument(
        "--out", metavar="FILE", help="default: certificate.p12; the root to hand out lies beside it as .pem"
    )
    made.add_argument(
        "--passphrase-file", metavar="F", help="its first line is the passphrase; asked for otherwise"
    )
    made.add_argument(
        "--days", type=int, default=730, metavar="N", help="for how long it holds (default: 730)"
    )


def call(options: argparse.Namespace, passphrase: str) -> int:
    """0; refusals are raised."""
    from benchrunner.report.pdf_signature import make_certificate

    kept, root = make_certificate(
        options.name, passphrase, Path(options.out or "certificate.p12"), options.days
    )
    print(
        f"{kept}: key and certificate, encrypted; sign with: benchrunner report RECORD --pdf --sign-with {kept}"
    )
    print(f"{root}: the root; whoever takes it among the trusted ones sees the signature as trusted")
    print("self-made: no authority stands behind it")
    return 0
