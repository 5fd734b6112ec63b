"""The note as a PDF file, set from the very page that `hoodnote note` writes."""

from __future__ import annotations

from threading import Lock

from hoodnote.errors import HoodnoteError

_ONE_AT_A_TIME = Lock()         # setting pages takes a whole core for a while


def pdf_of(html: str) -> bytes:
    """Raises HoodnoteError when the libraries that set the pages are not there. Nothing outside the page is fetched."""
    try:
        from weasyprint import HTML, URLFetcher
    except (ImportError, OSError) as error:      # OSError: the Python part is there, the system's part is not
        raise HoodnoteError("PDF files need the weasyprint package and the system library Pango (Debian: libpango-1.0-0, "
                            "libpangoft2-1.0-0); until then print from the browser") from error

    with _ONE_AT_A_TIME:
        return HTML(string=html, url_fetcher=URLFetcher(allowed_protocols=("data",))).write_pdf()
