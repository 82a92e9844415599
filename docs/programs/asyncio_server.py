"""A server for readers that send every card as a line of hexadecimal digits over TCP, a task for each."""

import asyncio
import logging
import sys
from typing import TypedDict

import credkit


class Card(TypedDict):
    """What the gates need of a card."""

    facility: int
    number: int


GATE = credkit.chain("hex:8/right-justified:26/wiegand-26", takes="text", gives=Card)
log = logging.getLogger("gates")


def admit(line: credkit.Frame) -> bool:
    """Whether the line is a card that can be read; what cannot be read is logged."""
    if line.value is None:
        log.warning("not a line: %s", line.problem)
        return False
    try:
        card = GATE.decode(line.value)
    except credkit.DecodeError as error:
        log.warning("%s", error)
        return False
    log.info("facility %d, card %d", card["facility"], card["number"])
    return True


async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """One connection: one task, with a splitter of its own."""
    lines = credkit.LineSplitter(longest=80)
    while data := await reader.read(4096):
        for line in lines.feed(data):
            writer.write(b"green\n" if admit(line) else b"red\n")
        await writer.drain()
    if lines.flush():
        log.warning("the connection ended inside a line, which is not decoded")
    writer.close()


async def main() -> None:
    """Two readers are connected at the same time, and neither keeps to lines."""
    logging.basicConfig(stream=sys.stdout, format="%(levelname)s %(message)s")
    log.setLevel(logging.INFO)
    async with await asyncio.start_server(serve, "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        from_north, to_north = await asyncio.open_connection("127.0.0.1", port)
        from_south, to_south = await asyncio.open_connection("127.0.0.1", port)
        to_north.write(b"02F7")  # half a card
        to_south.write(b"02F764DC\r\n")  # one bit of it is wrong
        print("south:", (await from_south.readline()).decode().strip())
        to_north.write(b"64DD\r")
        print("north:", (await from_north.readline()).decode().strip())
        to_north.write(b"\n02F7\xff4DD\r\n")
        print("north:", (await from_north.readline()).decode().strip())
        to_north.write(b"02F7")
        for reader, writer in (from_north, to_north), (from_south, to_south):
            writer.write_eof()
            await reader.read()  # until the server has closed the connection, too
            writer.close()
            await writer.wait_closed()


if __name__ == "__main__":
    asyncio.run(main())
