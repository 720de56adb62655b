"""What the line server refuses or answers itself is noted for the journal, with who gave it and what came of it."""

import asyncio

from drillfeed.protocol.commands import shown_line
from tests.shell.fake_desk import FakeDesk, Peer, hang_up, served


def test_refused_roles_and_pairings_are_noted_and_secrets_are_not() -> None:
    """A command that the role may not give and a wrong code are noted with their refusals; the code is not."""

    async def story() -> None:
        desk = FakeDesk()
        server, port = await served(desk)
        try:
            peer = await Peer.tcp(port)
            for line in ("offer", "pair 482913", "nonsense", "balls 12"):
                await peer.ask(line)
        finally:
            await hang_up()
            await server.close()
        noted = [
            (shown_line(command), caller.role, reply.code.name if reply.code else None)
            for command, caller, reply in desk.noted
        ]
        assert noted == [("offer", "player", "not-allowed"), ("pair ...", "player", "not-paired")]
        assert [command.verb for command, _ in desk.commands] == ["balls"]

    asyncio.run(story())
