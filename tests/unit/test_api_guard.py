import pytest
from fastapi import Request
from starlette.datastructures import Headers

from monitor.api.guard import foreign, is_local

HOST = {"host": "monitor.lan:8117"}
COOKIE = {"cookie": "strokewise=x"}


@pytest.mark.parametrize(
    ("headers", "refused"),
    [
        ({"sec-fetch-site": "same-origin"}, False),
        ({"sec-fetch-site": "none"}, False),
        ({"sec-fetch-site": "same-site"}, True),  # another port of this host
        ({"sec-fetch-site": "cross-site"}, True),
        ({"origin": "http://monitor.lan:8117"}, False),
        ({"origin": "http://monitor.lan:9000"}, True),  # cookies ignore ports, we do not
        ({"origin": "http://elsewhere.example"}, True),
        ({"origin": "null"}, True),
        (COOKIE, True),
        ({}, False),  # a program with a token, or none: then it is nobody
    ],
)
def test_only_our_own_pages_may_send_forms(headers, refused):
    """W3C Fetch Metadata and RFC 6454."""
    assert (foreign("POST", Headers(HOST | headers)) is not None) is refused
    assert foreign("GET", Headers(HOST | headers)) is None


def request(client: str, **headers: str) -> Request:
    raw = [(k.replace("_", "-").encode(), v.encode()) for k, v in headers.items()]
    return Request({"type": "http", "client": (client, 5), "headers": raw})


@pytest.mark.parametrize(
    ("client", "headers", "local"),
    [
        ("127.0.0.1", {"host": "localhost:8117"}, True),
        ("127.0.0.1", {"host": "127.0.0.1:8117"}, True),
        ("127.0.0.1", {"host": "127.0.0.1"}, True),
        ("::1", {"host": "[::1]:8117"}, True),
        ("::1", {"host": "[::1]"}, True),
        ("127.0.0.1", {"host": "rebound.example:8117"}, False),
        ("127.0.0.1", {}, False),
        ("127.0.0.1", {"host": "localhost", "x_forwarded_for": "203.0.113.9"}, False),
        ("127.0.0.1", {"host": "localhost", "forwarded": "for=203.0.113.9"}, False),
        ("192.0.2.7", {"host": "localhost:8117"}, False),
        ("testclient", {"host": "localhost"}, False),
    ],
)
def test_only_this_machine_itself_is_local(client, headers, local):
    assert is_local(request(client, **headers)) is local
