"""The five packets of MQTT 3.1.1 that a node needs, as bytes. No board, no sockets.

OASIS MQTT 3.1.1: CONNECT (3.1), CONNACK (3.2), PUBLISH with quality of service 0 (3.3), PINGREQ (3.12), DISCONNECT (3.14).
"""


def _text(text):
    data = text.encode()
    return bytes((len(data) >> 8, len(data) & 255)) + data


def _packet(kind, body):
    head = bytearray((kind,))
    left = len(body)
    while True:
        seven = left % 128
        left //= 128
        head.append(seven | 0x80 if left else seven)
        if not left:
            return bytes(head) + body


def connect(name, user, password, keepalive_s, will_topic, will):
    """Hello. User and password may be empty; the will is what the broker says, retained, when the node vanishes."""
    flags = 0x02 | 0x04 | 0x20  # clean session, will, will retained
    if user:
        flags |= 0x80
        if password:
            flags |= 0x40
    body = _text("MQTT") + bytes((4, flags, keepalive_s >> 8, keepalive_s & 255))
    body += _text(name) + _text(will_topic) + _text(will)
    if flags & 0x80:
        body += _text(user)
    if flags & 0x40:
        body += _text(password)
    return _packet(0x10, body)


def publish(topic, payload, retain):
    """One message."""
    return _packet(0x31 if retain else 0x30, _text(topic) + payload.encode())


def ping():
    """Still here."""
    return b"\xc0\x00"


def goodbye():
    """Leaving; the will is not published."""
    return b"\xe0\x00"


def welcome(answer):
    """The broker's answer to connect: 0 welcome, 1-5 refused (4 and 5: user or password), -1 that is no answer."""
    return answer[3] if len(answer) == 4 and answer[0] == 0x20 and answer[1] == 2 else -1
