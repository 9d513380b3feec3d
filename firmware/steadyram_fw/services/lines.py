"""Lines of the protocol: taken apart strictly, put together with their checksum.

line    = tag SP verb *(SP key=value) [SP "#" CRC]
value   = bare / DQUOTE printable DQUOTE
"""

from .. import tables as T
from .crc import crc16
from .refuse import Refuse

_BARE = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789.,-+_/"
_ALNUM = _BARE[:62]
_KEY = _BARE[26:62] + "_"
# The sixteen digits of a checksum, 0x40 plus its four bits: a bit that flips on the wire is a bit of the checksum.
# (With the usual digits D and E are one flip apart on the wire and two bits in value, and three flips could pass.)
_DIGITS = "@ABCDEFGHIJKLMNO"


def tag_of(raw):
    """The tag of a raw line as far as one can be read, else "?"."""
    end = raw.find(b" ")
    if not 0 < end <= T.TAG_MAX:
        return "?"
    for byte in raw[:end]:
        if chr(byte) not in _ALNUM:
            return "?"
    return str(bytes(raw[:end]), "ascii")


def check(raw):
    """Body of a line as text and whether it carried a checksum. Raises Refuse."""
    for byte in raw:
        if byte < 0x20 or byte > 0x7E:
            raise Refuse(T.E_NOT_ASCII)
    at = len(raw) - 6
    if at < 1 or raw[at : at + 2] != b" #":
        # a broken checksum at the end must not pass as a line without one
        cut = raw.rfind(b" #")
        if cut >= 0 and raw.find(b'"', cut) < 0:
            raise Refuse(T.E_BAD_CRC)
        return str(bytes(raw), "ascii"), False
    told = 0
    for byte in raw[at + 2 :]:
        if byte & 0xF0 != 0x40:
            raise Refuse(T.E_BAD_CRC)
        told = told << 4 | byte & 15
    if told != crc16(memoryview(raw)[:at]):
        raise Refuse(T.E_BAD_CRC)
    return str(bytes(raw[:at]), "ascii"), True


def split(body):
    """(tag, verb, [(key, value)]) of a checked body. Raises Refuse."""
    parts = body.split(" ", 2)
    if len(parts) < 2 or not _all(parts[0], _ALNUM) or len(parts[0]) > T.TAG_MAX:
        raise Refuse(T.E_BAD_FORM)
    if not _all(parts[1], _KEY):
        raise Refuse(T.E_BAD_FORM)
    fields = []
    if len(parts) == 3:
        rest = parts[2]
        at = 0
        end = len(rest)
        while True:
            eq = rest.find("=", at)
            if eq < 0 or not _all(rest[at:eq], _KEY):
                raise Refuse(T.E_BAD_FORM)
            key = rest[at:eq]
            at = eq + 1
            if rest[at : at + 1] == '"':
                stop = rest.find('"', at + 1)
                if stop < 0:
                    raise Refuse(T.E_BAD_FORM)
                value = rest[at + 1 : stop]
                stop += 1
            else:
                stop = rest.find(" ", at)
                if stop < 0:
                    stop = end
                value = rest[at:stop]
                if not _all(value, _BARE):
                    raise Refuse(T.E_BAD_FORM)
            for other, _ in fields:
                if other == key:
                    raise Refuse(T.E_BAD_FORM, key)
            fields.append((key, value))
            if stop == end:
                break
            if rest[stop] != " ":
                raise Refuse(T.E_BAD_FORM)
            at = stop + 1
    return parts[0], parts[1], fields


def integer(key, text, low, high):
    """The integer that `text` writes, low..high. Raises Refuse."""
    digits = text[1:] if text[:1] == "-" else text
    if not digits or len(digits) > 10:
        raise Refuse(T.E_BAD_VALUE, key)
    for c in digits:
        if c < "0" or c > "9":
            raise Refuse(T.E_BAD_VALUE, key)
    value = int(text)
    if not low <= value <= high:
        raise Refuse(T.E_OUT_OF_RANGE, key)
    return value


def arguments(spec, fields):
    """Values of a verb's arguments in order, by the rows of tables.VERBS. Raises Refuse."""
    out = []
    known = 0
    for name, low, high, default in spec:
        for key, text in fields:
            if key == name:
                known += 1
                if low is not None:
                    out.append(integer(name, text, low, high))
                elif high is not None and text not in high:
                    raise Refuse(T.E_BAD_VALUE, name)
                else:
                    out.append(text)
                break
        else:
            if default is None:
                if known < len(fields):
                    _unknown(spec, fields)
                raise Refuse(T.E_MISSING_KEY, name)
            out.append(default)
    if known < len(fields):
        _unknown(spec, fields)
    return out


def _unknown(spec, fields):
    for key, _ in fields:
        for row in spec:
            if row[0] == key:
                break
        else:
            raise Refuse(T.E_UNKNOWN_KEY, key)


def quote(text):
    """A text as a value of a reply."""
    return text if text and _all(text, _BARE) else '"' + text + '"'


def seal(text):
    """A whole line as bytes: text, checksum, line end."""
    crc = crc16(bytes(text, "ascii"))
    digits = _DIGITS[crc >> 12] + _DIGITS[crc >> 8 & 15] + _DIGITS[crc >> 4 & 15] + _DIGITS[crc & 15]
    return bytes(text + " #" + digits + "\n", "ascii")


def refusal(tag, number, detail):
    """The line that says no."""
    sentence = T.ERROR_TEXTS[number]
    if detail:
        sentence += " (" + detail + ")"
    return seal('%s no %d "%s"' % (tag, number, sentence))


def _all(text, allowed):
    if not text:
        return False
    for c in text:
        if c not in allowed:
            return False
    return True
