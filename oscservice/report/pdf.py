"""A report as PDF, laid out by WeasyPrint, which is an extra and needs Pango."""

from __future__ import annotations

import logging
from typing import Any, NoReturn

from oscservice.errors import InputError
from oscservice.report.facts import Facts
from oscservice.report.page import page

_EXTRA = "a PDF needs WeasyPrint: pip install 'oscservice[pdf]'"
_PANGO = (
    "a PDF needs Pango, which isn't here: apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 "
    "fonts-dejavu-core"
)


def pdf_of(facts: Facts, paper: str) -> bytes:
    """The report on paper; the same facts give the same bytes.

    Args:
        facts: what it tells.
        paper: ``A4`` or ``letter``.

    Raises:
        InputError: WeasyPrint or Pango is missing; the message names what to install.
    """
    try:
        import weasyprint
    except ImportError:
        raise InputError(_EXTRA) from None
    except OSError:  # it is there, and the libraries it calls are not
        raise InputError(_PANGO) from None
    logging.getLogger("weasyprint").setLevel(logging.CRITICAL)  # it warns of every rule that is only for screens
    text = page(facts, printed=True, paper=paper)
    written: bytes = weasyprint.HTML(string=text, url_fetcher=_nothing_else).write_pdf(pdf_variant="pdf/ua-1")
    return written


def _nothing_else(url: str, *_: Any, **__: Any) -> NoReturn:
    raise ValueError(f"a report asks for nothing else, and here for {url}")
