"""A web server of a folder that gives parts of files, as those of data providers do; one line per request on stdout.

python -m tests.unit.inputs.range_server FOLDER
"""

import re
import sys
from functools import partial
from http import HTTPStatus
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path


class Handler(SimpleHTTPRequestHandler):
    """Answers GET with a range of bytes."""

    protocol_version = "HTTP/1.1"

    def do_GET(self) -> None:
        path = Path(self.translate_path(self.path))
        asked = re.fullmatch(r"bytes=(\d+)-(\d+)", self.headers.get("Range", ""))
        if not path.is_file() or asked is None:
            self.send_error(HTTPStatus.NOT_FOUND)
            return
        whole = path.read_bytes()
        first, last = int(asked[1]), min(int(asked[2]), len(whole) - 1)
        part = whole[first : last + 1]
        print(len(part), flush=True)
        self.send_response(HTTPStatus.PARTIAL_CONTENT)
        self.send_header("Content-Range", f"bytes {first}-{last}/{len(whole)}")
        self.send_header("Content-Length", str(len(part)))
        self.end_headers()
        self.wfile.write(part)

    def log_message(self, *_: object) -> None:
        """Quiet."""


if __name__ == "__main__":
    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(Handler, directory=sys.argv[1]))
    print(server.server_port, flush=True)
    server.serve_forever()
