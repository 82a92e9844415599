"""A server for readers that send every card as a line of hexadecimal digits over TCP, a thread for each."""

import logging
import socket
import socketserver
import sys
import threading
from typing import TypedDict

import credkit


class Card(TypedDict):
    """What the gates need of a card."""

    facility: int
    number: int


# A chain keeps nothing: all threads share it.
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


class Connection(socketserver.BaseRequestHandler):
    """One reader: one thread, with a splitter of its own."""

    def handle(self) -> None:
        """Answer each line with the colour of the lamp."""
        lines = credkit.LineSplitter(longest=80)
        while data := self.request.recv(4096):
            for line in lines.feed(data):
                self.request.sendall(b"green\n" if admit(line) else b"red\n")
        if lines.flush():
            log.warning("the connection ended inside a line, which is not decoded")


def main() -> None:
    """Two readers are connected at the same time, and neither keeps to lines."""
    logging.basicConfig(stream=sys.stdout, format="%(levelname)s %(message)s")
    log.setLevel(logging.INFO)
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Connection) as server:
        serving = threading.Thread(target=server.serve_forever)
        serving.start()
        address = "127.0.0.1", server.server_address[1]
        with socket.create_connection(address) as north, socket.create_connection(address) as south:
            north.sendall(b"02F7")  # half a card
            south.sendall(b"02F764DC\r\n")  # one bit of it is wrong
            print("south:", south.recv(16).decode().strip())
            north.sendall(b"64DD\r")
            print("north:", north.recv(16).decode().strip())
            north.sendall(b"\n02F7\xff4DD\r\n")
            print("north:", north.recv(16).decode().strip())
            north.sendall(b"02F7")
            for reader in north, south:
                reader.shutdown(socket.SHUT_WR)
                reader.recv(16)  # until the server has closed the connection, too
        server.shutdown()
        serving.join()


if __name__ == "__main__":
    main()
