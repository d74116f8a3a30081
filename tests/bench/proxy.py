"""A line to an instrument that can be made to fail: between the runner and the software bench, on real sockets."""

import socket
import threading
import time


class Proxy:
    """Passes lines on; `fault` may be "mute", "late", "garbage", "cut" or "" and is used up after `count` answers."""

    def __init__(self, address: str) -> None:
        _, host, port, _ = address.split("::")
        self._target = (host, int(port))
        self._server = socket.create_server(("127.0.0.1", 0))
        self.address = f"TCPIP::127.0.0.1::{self._server.getsockname()[1]}::SOCKET"
        self.fault, self.count, self.late_s = "", 0, 0.8
        self.only = ""  # a question that begins so; "" for any
        self.used = 0
        self.connections = 0
        self._open = []
        threading.Thread(target=self._accept, daemon=True).start()

    def fail(self, fault: str, count: int = 1, *, only: str = "") -> None:
        self.fault, self.count, self.only = fault, count, only

    def close(self) -> None:
        self._server.close()
        for line in self._open:
            line.close()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._server.accept()
            except OSError:
                return
            self.connections += 1
            target = socket.create_connection(self._target)
            for line in (client, target):
                line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._open += [client, target]
            threading.Thread(target=self._serve, args=(client, target), daemon=True).start()

    def _serve(self, client: socket.socket, target: socket.socket) -> None:
        asked = client.makefile("rb")
        answers = target.makefile("rb")
        try:
            for line in asked:
                target.sendall(line)
                if b"?" not in line:
                    continue
                answer = answers.readline()
                fits = line.decode().startswith(self.only)
                fault = self.fault if self.count and fits else ""
                if fault:
                    self.count -= 1
                    self.used += 1
                if fault == "late":
                    time.sleep(self.late_s)
                if fault == "cut":
                    return
                if fault == "garbage":
                    answer = b"\xff\x00?#!\n"
                if fault == "words":
                    answer = b"HELLO THERE\n"
                if fault == "over":
                    answer = b",".join([b"9.9E37"] * (answer.count(b",") + 1)) + b"\n"
                if fault != "mute":
                    client.sendall(answer)
        except OSError:
            return
        finally:
            client.close()
            target.close()
