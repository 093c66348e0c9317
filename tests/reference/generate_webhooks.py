"""Writes webhook_signatures.json and special_addresses.csv.

The signatures are those of the Python package of Standard Webhooks over messages
drawn from a seed. Whether an address is global is what netaddr says, which
follows the IANA special-purpose address registries; the addresses are the first
and last of each block there, those beside them, and drawn ones.
Run without arguments to write the files, with --check to compare them.
"""

import base64
import datetime
import importlib.metadata
import ipaddress
import json
import pathlib
import random
import sys

import netaddr
from standardwebhooks.webhooks import Webhook

SEED = 20300107
HERE = pathlib.Path(__file__).parent
# Written out from the registries (RFC 6890 and its updates), to stand at their edges.
BLOCKS = """
0.0.0.0/8 10.0.0.0/8 100.64.0.0/10 127.0.0.0/8 169.254.0.0/16 172.16.0.0/12 192.0.0.0/24 192.0.2.0/24
192.31.196.0/24 192.52.193.0/24 192.88.99.0/24 192.168.0.0/16 192.175.48.0/24 198.18.0.0/15 198.51.100.0/24
203.0.113.0/24 224.0.0.0/4 240.0.0.0/4 255.255.255.255/32
::/128 ::1/128 ::ffff:0:0/96 64:ff9b::/96 64:ff9b:1::/48 100::/64 2001::/23 2001:db8::/32 2002::/16
2620:4f:8000::/48 3fff::/20 5f00::/16 fc00::/7 fe80::/10 ff00::/8
""".split()


def signatures(draw):
    for number in range(40):
        key = bytes(draw.randrange(256) for _ in range(draw.choice([24, 32, 48, 64])))
        secret = "whsec_" + base64.b64encode(key).decode()
        identifier = f"msg_{draw.getrandbits(80):020x}"
        at = datetime.datetime.fromtimestamp(draw.randrange(1_500_000_000, 2_500_000_000), datetime.timezone.utc)
        body = json.dumps({"number": number, "text": draw.choice(["plain", "µ → λ", 'a "quoted" one', "", "\n"])},
                          ensure_ascii=draw.random() < 0.5)
        yield {"secret": secret, "id": identifier, "timestamp": int(at.timestamp()), "body": body,
               "signature": Webhook(secret).sign(identifier, at, body)}


def addresses(draw):
    found = set()
    for block in map(ipaddress.ip_network, BLOCKS):
        first, last = int(block[0]), int(block[-1])
        kind = type(block[0])
        for edge in (first - 1, first, (first + last) // 2, last, last + 1):
            if 0 <= edge < 2 ** block.max_prefixlen:
                found.add(kind(edge))
    found.update(ipaddress.IPv4Address(draw.getrandbits(32)) for _ in range(400))
    found.update(ipaddress.IPv6Address((1 << 125) | draw.getrandbits(125)) for _ in range(200))
    found.update(ipaddress.IPv6Address(draw.getrandbits(128)) for _ in range(100))
    for address in sorted(found, key=lambda one: (one.version, int(one))):
        judged = netaddr.IPAddress(str(address))
        yield f"{address},{str(judged.is_global() and not judged.is_multicast()).lower()}"


def files():
    draw = random.Random(SEED)
    versions = {name: importlib.metadata.version(name) for name in ("standardwebhooks", "netaddr")}
    yield "webhook_signatures.json", json.dumps(
        {"generator": "generate_webhooks.py", "seed": SEED, "standardwebhooks": versions["standardwebhooks"],
         "messages": list(signatures(draw))}, indent=1, ensure_ascii=False) + "\n"
    yield "special_addresses.csv", "\n".join(
        [f"# generate_webhooks.py, seed {SEED}, netaddr {versions['netaddr']}", "address,global", *addresses(draw)]) + "\n"


if __name__ == "__main__":
    for name, text in files():
        path = HERE / name
        if "--check" in sys.argv:
            assert path.read_text(encoding="utf-8") == text, f"{name} differs"
        else:
            path.write_text(text, encoding="utf-8")
