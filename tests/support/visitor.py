"""A page of the bench page's server, without a browser: what it hears, and what it posts."""

from __future__ import annotations

import contextlib
import http.client
import json
import re
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from tests.support.patience import PATIENCE_S


@dataclass(frozen=True)
class Reply:
    """What a server answered."""

    status: int
    headers: dict[str, str]
    text: str

    @property
    def why(self) -> str:
        """Why it refused."""
        return str(json.loads(self.text)["why"])


class Visitor:
    """A page in a browser: it is loaded, listens and posts.

    Args:
        port: of the server on this machine.
        cookie: that it sends; empty for none.
    """

    def __init__(self, port: int, cookie: str = "") -> None:
        self.port = port
        self.cookie = cookie
        self.told: dict[str, Any] = {}
        self._news = threading.Condition()
        self._line: http.client.HTTPConnection | None = None
        shown = self.asks("/").text
        self.name = found[1] if (found := re.search(r'data-pen="([^"]+)"', shown)) else ""

    def asks(self, path: str, method: str = "GET", body: bytes | None = None, **headers: str) -> Reply:
        """Ask for something; `_` stands for `-` in a header's name."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        if self.cookie:
            sent.setdefault("Cookie", self.cookie)
        try:
            line.request(method, path, body, sent)
            response = line.getresponse()
            return Reply(response.status, dict(response.getheaders()), response.read().decode("utf-8"))
        finally:
            line.close()

    def posts(self, what: str, seq: int | None = None, **fields: Any) -> Reply:
        """Post something in answer to what is shown, or to what was."""
        data = {"pen": self.name, "seq": self.seq if seq is None else seq, "what": what, **fields}
        headers = {"X_Holdzero": "bench", "Content_Type": "application/json"}
        return self.asks("/do", "POST", json.dumps(data).encode(), **headers)

    def does(self, what: str, **fields: Any) -> Visitor:
        """Post something that is taken, and wait until something else is shown."""
        seq = self.seq
        assert self.posts(what, **fields).status == 200, (what, fields, self.told.get("sheet"))
        return self.until(lambda: self.seq != seq)

    def types(self, *texts: str) -> None:
        """Answer prompts in their order, each when it is shown."""
        for text in texts:
            if not text:
                time.sleep(0.35)  # a bare press right after a step came is a bounce
            self.does("answer", text=text)

    def listens(self) -> Visitor:
        """Listen from now on; comes back when the first sheet is there."""
        self.told.clear()
        self._line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        headers = {"Cookie": self.cookie} if self.cookie else {}
        self._line.request("GET", f"/stream?pen={self.name}", headers=headers)
        threading.Thread(target=self._hear, args=(self._line.getresponse(),), daemon=True).start()
        return self.until(lambda: {"sheet", "pen"} <= self.told.keys())

    def leaves(self) -> None:
        """Close the page."""
        if self._line is not None and self._line.sock is not None:
            with contextlib.suppress(OSError):
                self._line.sock.shutdown(socket.SHUT_RDWR)
            self._line.close()

    def until(self, true: Callable[[], bool]) -> Visitor:
        """Wait until something that is heard makes it true."""
        with self._news:
            assert self._news.wait_for(true, PATIENCE_S), self.told
        return self

    @property
    def seq(self) -> int:
        """Of what is shown."""
        return int(self.told["sheet"]["seq"])

    @property
    def shown(self) -> str:
        """The markup that is shown."""
        return str(self.told["sheet"]["html"])

    @property
    def stage(self) -> str:
        """What the page is about."""
        return str(re.findall(r'data-state="([^"]+)"', self.shown)[0])

    @property
    def writes(self) -> bool:
        """Whether it has the pen."""
        return bool(self.told["pen"]["mine"])

    def _hear(self, stream: http.client.HTTPResponse) -> None:
        kind = ""
        with contextlib.suppress(OSError, ValueError, AttributeError, http.client.HTTPException):
            while line := stream.readline().decode("utf-8").rstrip("\n"):
                kind = line.removeprefix("event: ")
                if kind.startswith(":"):
                    stream.readline()
                    continue
                data = stream.readline().decode("utf-8")
                stream.readline()
                with self._news:
                    self.told[kind] = json.loads(data.removeprefix("data: "))
                    self._news.notify_all()
