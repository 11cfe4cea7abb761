"""The pages as PDF, by weasyprint: the same HTML, printed. An extra; says so when missing."""

from __future__ import annotations

from benchrig.errors import UsageError


def pdf_bytes(page: str) -> bytes:
    """A page's PDF. Raises UsageError with what to install when weasyprint cannot work."""
    try:
        import weasyprint
    except ImportError as error:
        raise UsageError(
            "PDF needs weasyprint, which is not installed",
            advice="pip install 'benchrig[pdf]', or print the HTML page from a browser",
        ) from error
    except OSError as error:  # the wheel is there, Pango is not
        raise UsageError(
            f"PDF needs the Pango system library, which cannot be loaded ({error})",
            advice="on Debian or Ubuntu: apt-get install libpango-1.0-0 libpangoft2-1.0-0 "
            "libharfbuzz-subset0; or print the HTML page from a browser",
        ) from error
    document = weasyprint.HTML(string=page, url_fetcher=_no_network)
    made = document.write_pdf()
    return bytes(made)


def _no_network(url: str, *_: object, **__: object) -> dict[str, object]:
    raise ValueError(f"a page asked for {url}; pages carry everything they need")
