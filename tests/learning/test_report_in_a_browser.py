"""The weeks page in a real browser: it opens by itself, needs nothing from elsewhere, and prints."""

import shutil
import subprocess
from pathlib import Path

import pytest

from drillfeed.daemon.cli import main
from tests.learning.journal_seasons import write_season

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
SWITCHES = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--host-resolver-rules=MAP * ~NOTFOUND",
)


@pytest.mark.slow
@pytest.mark.skipif(BROWSER is None, reason="no Chromium on this system")
def test_page_opens_and_prints(tmp_path: Path) -> None:
    """With every host name unreachable, all pictures stand in the page, and it becomes a PDF."""
    journal, page, pdf = tmp_path / "journal.sqlite", tmp_path / "report.html", tmp_path / "report.pdf"
    write_season(journal, weeks=10)
    asked = ["--player", "left-hander", "--journal", str(journal), "--day", "2026-03-15", "--out", str(page)]
    assert main(["report", *asked]) == 0
    base = [str(BROWSER), *SWITCHES, f"--user-data-dir={tmp_path / 'profile'}"]
    shown = subprocess.run(
        [*base, "--dump-dom", page.as_uri()], capture_output=True, text=True, timeout=120, check=True
    )
    assert shown.stdout.count("<svg") == 8 and "rally-topspin" in shown.stdout
    subprocess.run([*base, f"--print-to-pdf={pdf}", page.as_uri()], capture_output=True, timeout=120, check=True)
    assert pdf.read_bytes().startswith(b"%PDF")
