"""nightview intake: what the home owner is asked for first."""

from __future__ import annotations

from pathlib import Path

from nightview.errors import NightviewError


def intake(*, out: Path | None = None, paper: str = "A4") -> None:
    """Print the list of photographs, measurements and questions for the home owner, on one page.

    Example: nightview intake --out intake.pdf --paper Letter

    Parameters
    ----------
    out
        A file to write instead: .pdf or .html to print, .txt, or .toml to fill in and give to
        "nightview new --answers". It must not be there yet.
    paper
        A4 or Letter.
    """
    from nightview.handover import intake as sheet
    from nightview.picture.files import write_beside

    papers = {"a4": "A4", "letter": "Letter"}
    if paper.lower() not in papers:
        raise NightviewError(
            "--paper", f'"{paper}" is no paper of this sheet', "write A4 or Letter"
        )
    paper = papers[paper.lower()]
    if out is None:
        print(sheet.as_text(), end="")
        return
    if out.exists():
        raise NightviewError(
            str(out), "is there already", "choose another name; nothing was changed"
        )
    kind = out.suffix.lower()
    if kind == ".pdf":
        from nightview.handover.printed import pdf

        data = pdf(sheet.document(), paper)
    elif kind == ".html":
        from nightview.handover.webpage import html

        data = html(sheet.document(), paper).encode("utf-8")
    elif kind in (".txt", ".toml"):
        text = sheet.as_text() if kind == ".txt" else sheet.as_answers()
        data = text.encode("utf-8")
    else:
        raise NightviewError(
            "--out", f'"{out.name}" has no ending known here', "write .pdf, .html, .txt or .toml"
        )
    write_beside(out, lambda beside: beside.write_bytes(data))
    print(out)
