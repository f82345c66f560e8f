"""`benchrunner report`: the report of a record, as one self-contained HTML file or as PDF."""

import argparse
from pathlib import Path

from benchrunner.cli.target import replace_option, target


def arguments(parser: argparse.ArgumentParser) -> None:
    """The options of the command."""
    parser.add_argument("record")
    kind = parser.add_mutually_exclusive_group()
    kind.add_argument("--html", action="store_true", help="as one HTML file (the default)")
    kind.add_argument("--pdf", action="store_true", help="as PDF (also where --out ends in .pdf)")
    parser.add_argument("--out", metavar="FILE", help="default: the record's name with .html or .pdf")
    parser.add_argument(
        "--laboratory",
        metavar="FILE",
        help="laboratory card: address, customer, who authorises (see the guide)",
    )
    parser.add_argument("--paper", type=str.lower, choices=("a4", "letter"), help="of the PDF (default: a4)")
    parser.add_argument("--sign-with", metavar="FILE", help="sign the PDF with this PKCS#12 file (.p12)")
    parser.add_argument("--passphrase-file", metavar="F", help="its first line opens the PKCS#12 file")
    replace_option(parser)


def call(options: argparse.Namespace) -> int:
    """0; refusals are raised."""
    from benchrunner.cli.verify import a_file
    from benchrunner.errors import Problem, Refused
    from benchrunner.report.laboratory import read_laboratory

    record = a_file(options.record)
    as_pdf = wants_pdf(options)
    card = read_laboratory(options.laboratory) if options.laboratory else None
    if not as_pdf:
        if options.sign_with:
            raise Refused(Problem("--sign-with", "signs a PDF only", "give --pdf as well"))
        if options.paper:
            raise Refused(Problem("--paper", "is of a PDF only", "give --pdf as well"))
        from benchrunner.report.html import write_report

        out = target(options.out or record.with_suffix(".html"), options.replace, of=record)
        print(write_report(record, out, card))
        return 0
    from benchrunner.report.pdf import write_pdf

    out = target(options.out or record.with_suffix(".pdf"), options.replace, of=record)
    signer = None
    if options.sign_with:
        from benchrunner.cli.run import passphrase
        from benchrunner.report.pdf_signature import read_signer

        signer = read_signer(options.sign_with, passphrase(options.sign_with, options.passphrase_file))
    print(write_pdf(record, out, card, options.paper or "a4", signer))
    return 0


def wants_pdf(options: argparse.Namespace) -> bool:
    """By --pdf, --html, or else the ending of --out. Raises `Refused` where these say different things."""
    from benchrunner.errors import Problem, Refused

    ending = Path(options.out or "").suffix.lower()
    if (options.pdf and ending in (".html", ".htm")) or (options.html and ending == ".pdf"):
        kind = "--pdf" if options.pdf else "--html"
        raise Refused(
            Problem(
                f"--out {options.out}",
                f"ends in {ending} beside {kind}",
                f"leave out {kind}, or give --out its ending",
            )
        )
    return bool(options.pdf) or (ending == ".pdf" and not options.html)
