"""A real server that speaks S3, on loopback and in this process, for tests of what lies in buckets."""

from __future__ import annotations

import logging
import socket
import urllib.request

import boto3
import s3fs
from moto.server import ThreadedMotoServer

KEY, SECRET = "AKIDFORTESTSONLY", "a-secret-that-nobody-may-see"


class BucketServer:
    """A running server. `log` has a line for each request that it answered."""

    def __init__(self) -> None:
        self.log: list[str] = []
        logger = logging.getLogger("werkzeug")
        logger.setLevel(logging.INFO)
        logger.propagate = False
        logger.handlers = [_Lines(self.log)]
        self._server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
        self._server.start()
        self.url = "http://{}:{}".format(*self._server.get_host_and_port())
        self.client = boto3.client(
            "s3",
            endpoint_url=self.url,
            aws_access_key_id=KEY,
            aws_secret_access_key=SECRET,
            region_name="us-east-1",
        )
        self._made = 0

    def stop(self) -> None:
        """End it."""
        self._server.stop()

    def environment(self) -> dict[str, str]:
        """What a program needs to know to reach it."""
        keys = {"AWS_ACCESS_KEY_ID": KEY, "AWS_SECRET_ACCESS_KEY": SECRET, "AWS_DEFAULT_REGION": "us-east-1"}
        return keys | {"AWS_ENDPOINT_URL": self.url}

    def new(self) -> Bucket:
        """An empty bucket."""
        self._made += 1
        return Bucket(self, f"reefs-{self._made}")

    def ask_for_keys(self, *, wanted: bool) -> None:
        """From now on refuse everybody whose keys are not known, which nobody's are; or let everybody in again."""
        count = b"0" if wanted else b"inf"
        headers = {"Content-Type": "text/plain"}
        told = urllib.request.Request(f"{self.url}/moto-api/reset-auth", count, headers, method="POST")  # noqa: S310
        urllib.request.urlopen(told).close()  # noqa: S310 - our own server


class _Lines(logging.Handler):
    def __init__(self, lines: list[str]) -> None:
        super().__init__()
        self._lines = lines

    def emit(self, record: logging.LogRecord) -> None:
        self._lines.append(record.getMessage())


class Bucket:
    """One bucket; look at it and change it as its owner could."""

    def __init__(self, server: BucketServer, name: str) -> None:
        self.server, self.name, self.url = server, name, f"s3://{name}"
        self._client = server.client
        self._client.create_bucket(Bucket=name)

    def files(self) -> dict[str, bytes]:
        """Every object by its key."""
        keys = [o["Key"] for o in self._client.list_objects_v2(Bucket=self.name).get("Contents", ())]
        return {k: self._client.get_object(Bucket=self.name, Key=k)["Body"].read() for k in keys}

    def put(self, key: str, data: bytes) -> None:
        """Write an object, over another too."""
        self._client.put_object(Bucket=self.name, Key=key, Body=data)

    def delete(self, key: str) -> None:
        """Remove an object."""
        self._client.delete_object(Bucket=self.name, Key=key)


def closed_port() -> int:
    """A port of this machine on which nobody listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def forget_connections() -> None:
    """What fsspec keeps of servers it spoke to, as a new program would know nothing of them."""
    s3fs.S3FileSystem.clear_instance_cache()
