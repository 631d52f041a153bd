"""PDFs written byte by byte for tests: sound ones, and ones that want to harm their reader."""

from __future__ import annotations

import hashlib
import random
import zlib
from collections.abc import Iterator, Sequence

PADDING = bytes.fromhex("28BF4E5E4E758A4164004E56FFFA01082E2E00B6D0683E802F0CA9FE6453697A")
"""Of passwords, ISO 32000-1:2008, 7.6.3.3, algorithm 2."""


def pdf(objects: Sequence[bytes], trailer: bytes = b"") -> bytes:
    """Return a PDF of objects counted from 1, the first of which is the catalogue."""
    content, places = b"%PDF-1.7\n", []
    for number, body in enumerate(objects, 1):
        places.append(len(content))
        content += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    start = len(content)
    content += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    content += b"".join(b"%010d 00000 n \n" % place for place in places)
    content += b"trailer\n<< /Size %d /Root 1 0 R %s >>\nstartxref\n%d\n%%%%EOF\n" % (
        len(objects) + 1, trailer, start,
    )  # fmt: skip
    return content


def stream(content: bytes, extra: bytes = b"") -> bytes:
    """Return a stream object."""
    return b"<< /Length %d %s >>\nstream\n%s\nendstream" % (len(content), extra, content)


def page_objects(
    text: str, *, catalogue: bytes = b"", page: bytes = b"", box: bytes = b"0 0 595 842"
) -> list[bytes]:
    """Return the objects of a PDF with one page that says a text."""
    shown = stream(b"BT /F1 12 Tf 72 700 Td (%s) Tj ET" % text.encode("latin-1"))
    return [
        b"<< /Type /Catalog /Pages 2 0 R %s >>" % catalogue,
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        b"<< /Type /Page /Parent 2 0 R /MediaBox [%s] /Contents 4 0 R "
        b"/Resources << /Font << /F1 5 0 R >> >> %s >>" % (box, page),
        shown,
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>",
    ]  # fmt: skip


def sound(text: str = "Any complication 4/29 (13.8 %)") -> bytes:
    """Return a sound PDF with one page."""
    return pdf(page_objects(text))


def of_pages(count: int) -> bytes:
    """Return a PDF with many empty pages."""
    kids = b" ".join(b"%d 0 R" % (number + 3) for number in range(count))
    page = b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 595 842] >>"
    tree = b"<< /Type /Pages /Kids [%s] /Count %d >>" % (kids, count)
    return pdf([b"<< /Type /Catalog /Pages 2 0 R >>", tree, *[page] * count])


def that_acts() -> bytes:
    """Return a PDF with a script, a program to start, and an address to call, all at its opening."""
    actions = (
        b"/OpenAction << /S /JavaScript /JS (app.alert\\('x'\\); this.submitForm\\('http://127.0.0.1:9/'\\);) >> "
        b"/AA << /WC << /S /Launch /F (/bin/sh) >> >>"
    )
    link = b"/Annots [<< /Type /Annot /Subtype /Link /Rect [0 0 595 842] /A << /S /URI /URI (http://127.0.0.1:9/) >> >>]"
    opened = b"/AA << /O << /S /URI /URI (http://127.0.0.1:9/open) >> >>"
    return pdf(page_objects("It says 4/29", catalogue=actions, page=link + b" " + opened))


def bomb_of_text() -> bytes:
    """Return a PDF whose page of text is 2 GB when unpacked twice."""
    packer = zlib.compressobj(1)
    once = b"".join(packer.compress(b" " * 10_000_000) for _ in range(200)) + packer.flush()
    twice = zlib.compress(once, 9)
    objects = page_objects("")
    objects[3] = stream(twice, b"/Filter [/FlateDecode /FlateDecode]")
    return pdf(objects)


def bomb_of_an_image() -> bytes:
    """Return a PDF with a picture of 60,000 by 60,000 dots."""
    packed = zlib.compress(b"\x00" * 10_000_000, 9)
    objects = page_objects("")
    objects[2] = objects[2].replace(b"/Font", b"/XObject << /I 6 0 R >> /Font")
    objects[3] = stream(b"q 595 0 0 842 0 0 cm /I Do Q")
    dots = b"/Type /XObject /Subtype /Image /Width 60000 /Height 60000 /ColorSpace /DeviceRGB /BitsPerComponent 8"
    return pdf([*objects, stream(packed, dots + b" /Filter /FlateDecode")])


def bomb_of_drawing() -> bytes:
    """Return a PDF whose forms draw each other, ten times each, nine deep."""
    deep = 9
    objects = page_objects("")
    objects[2] = objects[2].replace(b"/Font", b"/XObject << /X0 6 0 R >> /Font")
    objects[3] = stream(b"/X0 Do")
    for level in range(deep):
        below = b"/X%d Do " % (level + 1) * 10 if level + 1 < deep else b"0 0 500 500 re f "
        resources = b"/Resources << /XObject << /X%d %d 0 R >> >>" % (level + 1, level + 7)
        objects.append(stream(below, b"/Type /XObject /Subtype /Form /BBox [0 0 595 842] " + resources))
    return pdf(objects)


def of_itself() -> bytes:
    """Return a PDF whose tree of pages holds itself."""
    objects = page_objects("x")
    objects[1] = b"<< /Type /Pages /Kids [2 0 R 3 0 R] /Count 2 >>"
    return pdf(objects)


def scan(width: int = 60, height: int = 80) -> bytes:
    """Return a PDF that is a picture of a page, without text."""
    dots = bytes((x * y) % 256 for y in range(height) for x in range(width))
    objects = page_objects("")
    objects[2] = objects[2].replace(b"/Font", b"/XObject << /I 6 0 R >> /Font")
    objects[3] = stream(b"q 595 0 0 842 0 0 cm /I Do Q")
    head = b"/Type /XObject /Subtype /Image /Width %d /Height %d /ColorSpace /DeviceGray /BitsPerComponent 8"
    return pdf([*objects, stream(dots, head % (width, height))])


def locked(password: bytes = b"x") -> bytes:
    """Return a PDF that opens with a password only (ISO 32000-1:2008, 7.6.3, revision 2)."""
    key_of_owner = hashlib.md5((password + PADDING)[:32]).digest()[:5]  # noqa: S324  the standard's own
    owner = _rc4(key_of_owner, (password + PADDING)[:32])
    rights, name = -4, b"0123456789abcdef"
    salted = (password + PADDING)[:32] + owner + rights.to_bytes(4, "little", signed=True) + name
    user = _rc4(hashlib.md5(salted).digest()[:5], PADDING)  # noqa: S324  the standard's own
    lock = b"<< /Filter /Standard /V 1 /R 2 /O <%s> /U <%s> /P %d >>" % (
        owner.hex().encode(), user.hex().encode(), rights,
    )  # fmt: skip
    identity = name.hex().encode()
    return pdf([*page_objects("secret"), lock], b"/Encrypt 6 0 R /ID [<%s> <%s>]" % (identity, identity))


def _rc4(key: bytes, content: bytes) -> bytes:
    box, j = list(range(256)), 0
    for i in range(256):
        j = (j + box[i] + key[i % len(key)]) % 256
        box[i], box[j] = box[j], box[i]
    i = j = 0
    out = bytearray()
    for byte in content:
        i = (i + 1) % 256
        j = (j + box[i]) % 256
        box[i], box[j] = box[j], box[i]
        out.append(byte ^ box[(box[i] + box[j]) % 256])
    return bytes(out)


def damaged(content: bytes, count: int) -> Iterator[bytes]:
    """Give damaged copies of a PDF, the same ones at each call."""
    chance = random.Random(20260504)
    for number in range(count):
        body = bytearray(content)
        kind = number % 5
        if kind == 0:
            del body[chance.randrange(20, len(body)) :]
        elif kind == 1:
            for _ in range(40):
                body[chance.randrange(8, len(body))] = chance.randrange(256)
        elif kind == 2:
            start = chance.randrange(8, len(body) - 60)
            del body[start : start + 50]
        elif kind == 3:
            numbers = [at for at, byte in enumerate(body) if 48 <= byte <= 57]
            for at in chance.sample(numbers, 20):
                body[at] = 48 + chance.randrange(10)
        else:
            start = chance.randrange(8, len(body) - 60)
            body[start:start] = bytes(chance.randrange(256) for _ in range(200))
        yield bytes(body)
