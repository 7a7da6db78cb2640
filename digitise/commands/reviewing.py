"""``digitise review``: the screens on a store."""

from __future__ import annotations

import argparse
import sys

from digitise.commands.common import Adder, port, say, store_argument

QUIET_S = 3.0  # in which a server that was told to stop does so
UNIT = """\
To have it start with the machine, and again when it fails: /etc/systemd/system/survey-sheets.service, for a user
'survey' who owns /srv/survey-store and nothing else:

  [Unit]
  Description=Screens for survey sheets
  After=network.target

  [Service]
  User=survey
  ExecStart=/opt/digitise/bin/digitise review --store /srv/survey-store --name reef.example
  Restart=on-failure
  NoNewPrivileges=yes
  ProtectSystem=strict
  ProtectHome=yes
  PrivateTmp=yes
  ReadWritePaths=/srv/survey-store
  MemoryMax=4G
  LimitNOFILE=16384

  [Install]
  WantedBy=multi-user.target

'systemctl enable survey-sheets' and 'systemctl start survey-sheets' start it, 'journalctl -u survey-sheets' shows what
it says. For PostgreSQL add 'EnvironmentFile=/etc/survey-sheets' with 'DIGITISE_STORE=...', readable by root alone.
"""


def add_commands(command: Adder) -> None:
    """Add the parser."""
    one = command(
        "review", _review, "open the review screens on a store", "digitise review --store survey-store", file=UNIT
    )
    store_argument(one)
    one.add_argument("--host", default="127.0.0.1", help="address to listen on (default: this machine only)")
    one.add_argument("--port", type=port, default=8501, help="port to listen on (default: %(default)s)")
    one.add_argument(
        "--shared", action="store_true", help="people log in on this machine too (always so with another --host)"
    )
    one.add_argument(
        "--name", default="", metavar="HOST", help="name of a web server with TLS that passes everything on to here"
    )


def _review(args: argparse.Namespace) -> int:
    import signal
    import subprocess

    from digitise.store import holds_store

    command = [sys.executable, "-m", "review_app", str(args.store), "--host", args.host, "--port", str(args.port)]
    command += ["--shared"] if args.shared else []
    command += ["--name", args.name] if args.name else []
    if not holds_store(args.store):
        say(f"{args.store}: no store is here; a new one is made.")
    with subprocess.Popen(command) as server:  # noqa: S603 - our own program, no shell
        signal.signal(signal.SIGTERM, lambda *_: server.terminate())  # whoever stops this command stops the server
        try:
            code = server.wait()
        except KeyboardInterrupt:
            try:
                server.wait(QUIET_S)  # a terminal tells the server too
            except subprocess.TimeoutExpired:
                server.terminate()
            return 0
    if code == -signal.SIGTERM:
        return 0
    return code if code >= 0 else 128 - code  # as a shell tells of a program that was killed
