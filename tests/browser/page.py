"""The phone page in a real browser, against the real daemon and a simulated thrower.

    python -m tests.browser.page [--browser chromium] [--shots FOLDER] [--axe axe.min.js]

Pairs, starts, sees balls counted, pauses, loses the network, comes back, stops; at 320 px, 390 px, in landscape, light
and dark. Ends with exit code 1 where something is not as it must be. `--axe` takes the script of the axe-core checker.
"""

import argparse
import asyncio
import json
import shutil
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

from drillfeed.clients.lines import Client
from drillfeed.daemon.demo.processes import running_pair
from drillfeed.daemon.demo.real import until_ready
from tests.browser.chromium import Browser, Page, chromium
from tests.support.phone_rig import full_house, phone

MIN_SHARE = 0.25
USABLE_S, OPENINGS = 1.0, 3
SETTLED_S = 1.0  # a tap on what has just changed is not taken
NARROW, USUAL, LANDSCAPE = (320, 568), (390, 844), (667, 375)
BIG = "['state', 'big'].reduce((sum, id) => sum + document.getElementById(id).getBoundingClientRect().height, 0)"


@dataclass
class Findings:
    """What was seen; `problems` is empty where all is well."""

    shots: Path | None
    axe: str | None
    problems: list[str] = field(default_factory=list)

    def see(self, what: str, well: bool) -> None:
        """Note one thing."""
        print(f"{'as it must be' if well else 'NOT SO':<14}{what}")
        if not well:
            self.problems.append(what)

    async def look(self, page: Page, name: str) -> None:
        """Look at the page as it is: nothing wider than the screen, no serious finding, a picture."""
        width, wide = await page.value("[innerWidth, document.documentElement.scrollWidth]")
        self.see(f"{name}: {wide} px wide on {width}", wide <= width)
        if self.axe is not None:
            script = f"{self.axe}; axe.run().then(r => JSON.stringify(r.violations.map(v => [v.impact, v.id])))"
            found = json.loads(await page.value(script))
            serious = [finding for finding in found if finding[0] in ("serious", "critical")]
            self.see(f"{name}: accessibility {found or 'nothing found'}", not serious)
        if self.shots is not None:
            await page.value("scrollTo(0, 0)")
            await page.shoot(self.shots / f"{name}.png")


async def opened_s(browser: Browser, url: str) -> float:
    """Open the page anew and return how long it took until it showed the machine's state."""
    page = await browser.page(url, *USUAL)
    await page.until_state("IDLE")
    return float(await page.value("performance.now() / 1000"))


async def story(browser: Browser, url: str, local: Client, findings: Findings) -> None:
    """Walk through a practice with three pages: a player's, a coach's, and one that is not paired."""

    def code(role: str) -> str:
        reply = local.ask_line(f"invite {role}")
        return reply.data[0].removeprefix("code ")

    player = await browser.page(f"{url}#pair={code('player')}", *USUAL)
    await player.until_state("IDLE")
    quickest_s = min([await opened_s(browser, url) for _ in range(OPENINGS)])
    findings.see(f"usable {quickest_s:.2f} s after it was asked for, the quickest of {OPENINGS}", quickest_s < USABLE_S)
    coach = await browser.page(f"{url}#pair={code('coach')}", *LANDSCAPE, dark=True)
    anyone = await browser.page(url, *NARROW, dark=True)
    await anyone.until_state("IDLE")
    await findings.look(player, "390-idle")
    await findings.look(anyone, "320-dark-unpaired")
    local.balls(100)
    await player.tap("[data-drill='mixed-spin']")
    await player.until("document.getElementById('big').textContent === 'mixed-spin'")
    await asyncio.sleep(SETTLED_S)
    await player.tap("#go")
    await player.until_state("ARMED")
    await coach.until_state("ARMED")
    await asyncio.sleep(SETTLED_S)
    await coach.tap("#go")
    await player.until("!document.getElementById('offered').hidden")
    findings.see("an offer moves nothing", await player.text("state") == "ARMED")
    await findings.look(player, "390-offered")
    await player.tap("#confirm")
    await player.until_state("SPINUP")
    for page, name in ((player, "390-countdown"), (anyone, "320-dark-countdown"), (coach, "landscape-dark-countdown")):
        await page.until_state("SPINUP")
        share = await page.value(f"{BIG} / innerHeight")
        findings.see(f"{name}: state and countdown take {share:.0%} of the height", share >= MIN_SHARE)
        await findings.look(page, name)
    await player.until_state("FEEDING")
    await player.until("Number(document.getElementById('seen').textContent) >= 2")
    findings.see(f"counted {await player.text('commanded')} commanded, {await player.text('seen')} seen", True)
    await findings.look(player, "390-feeding")
    await anyone.tap("#pause")
    await player.until_state("PAUSED")
    findings.see("a page that is not paired may pause", True)
    await player.network(False)
    await player.until_state("NOT CONNECTED", max_s=10.0)
    await findings.look(player, "390-not-connected")
    await player.network(True)
    await player.until_state("PAUSED", max_s=10.0)
    await player.until("document.getElementById('who').textContent.includes('player')")
    findings.see("after the loss of the network it is the player again", True)
    await asyncio.sleep(SETTLED_S)
    await player.tap("#go")
    await player.until_state("SPINUP")
    await player.tap("#stop")
    await player.until_state("STOPPING", "IDLE")
    await player.tap("#made-count")
    await player.tell("Input.insertText", text="2")
    await player.tap("#made-form button")
    await player.until("document.getElementById('made-so-far').textContent === '2'")
    findings.see("stopped, and the made-count is written down", True)
    await findings.look(player, "390-stopped")
    await findings.look(coach, "landscape-dark-stopped")


async def crowded(browser: Browser, url: str, port: int, local: Client, findings: Findings) -> None:
    """Open pages while silent sockets hold every place: one that is paired, and one that is not."""
    code = local.ask_line("invite player").data[0].removeprefix("code ")
    async with full_house(port):
        player = await browser.page(f"{url}#pair={code}", *USUAL)
        await player.until("document.getElementById('who')?.textContent.includes('player')")
        await player.value("location.reload()")
        await player.until("document.getElementById('who')?.textContent.includes('player')")
        findings.see("with every place taken, a page with a code gets in, and with its key again", True)
        before = local.snapshot().stop_count
        late = await browser.page(url, *NARROW)
        await late.until_state("NOT CONNECTED")
        await late.tap("#stop")
        await late.until("document.getElementById('told')?.textContent.includes('stop count')")
        await asyncio.sleep(SETTLED_S)
        count = local.snapshot().stop_count
        findings.see(f"a page without a place stops: {await late.text('told')}", count == before + 1)
        await findings.look(late, "320-no-place")


async def check(program: str, port: int, local: Client, findings: Findings) -> None:
    """Run the stories in a browser of our own."""
    url = f"http://127.0.0.1:{port}/"
    async with chromium(program) as browser:
        await story(browser, url, local, findings)
        findings.see(f"errors in the console: {browser.errors or 'none'}", not browser.errors)
        await crowded(browser, url, port, local, findings)


def main() -> int:
    """Run everything; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.browser.page", description=__doc__)
    parser.add_argument("--browser", default=shutil.which("chromium") or "chromium", help="the browser's program")
    parser.add_argument("--shots", type=Path, help="folder for pictures")
    parser.add_argument("--axe", type=Path, help="axe.min.js of axe-core")
    args = parser.parse_args()
    findings = Findings(args.shots, args.axe.read_text("utf-8") if args.axe else None)
    with (
        tempfile.TemporaryDirectory() as folder,
        running_pair("club-build", 1, Path(folder)) as pair,
        pair.client() as local,
        phone(pair.tcp) as port,
    ):
        until_ready(local)
        asyncio.run(check(args.browser, port, local, findings))
    print(f"{len(findings.problems)} not as they must be")
    return 1 if findings.problems else 0


if __name__ == "__main__":
    sys.exit(main())
