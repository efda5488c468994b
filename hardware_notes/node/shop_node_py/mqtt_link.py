"""The way to the broker: joins the Wi-Fi, connects, says who is online, publishes, and begins again after a pause that
doubles from one second to a minute. Never waits longer than two seconds at a time, so that the watchdog stays content.
"""

import socket
import time

import mqtt_packets
import network


class MqttLink:
    """A connection that looks after itself; dog is the watchdog, fed before each wait."""

    def __init__(self, settings, dog):
        self.settings = settings
        self.dog = dog
        self.wlan = network.WLAN(network.STA_IF)
        self.wlan.active(True)
        self.socket = None
        self.tried = time.ticks_ms()
        self.pause_ms = 0

    def say(self, json):
        """Publish one JSON text; False if there is no connection (the value is then old news and is dropped)."""
        if self.socket is None and not self.connect():
            return False
        try:
            self.send(mqtt_packets.publish(self.settings.TOPIC, json, False))
        except OSError:
            self.lost()
            return False
        return True

    def connect(self):
        """One try, if the pause is over."""
        if time.ticks_diff(time.ticks_ms(), self.tried) < self.pause_ms:
            return False
        self.tried = time.ticks_ms()
        self.dog.feed()
        try:
            if not self.wlan.isconnected():
                self.wlan.connect(self.settings.WIFI_NAME, self.settings.WIFI_PASSWORD)
                raise OSError("no Wi-Fi yet")
            self.greet()
        except OSError:
            self.lost()
            return False
        self.pause_ms = 1000
        return True

    def greet(self):
        """Connect to the broker and wait for its welcome."""
        s = self.settings
        where = socket.getaddrinfo(s.BROKER, s.BROKER_PORT)[0][-1]
        self.socket = socket.socket()
        self.socket.settimeout(2)
        self.socket.connect(where)
        self.send(
            mqtt_packets.connect(s.NODE_NAME, s.BROKER_USER, s.BROKER_PASSWORD, s.KEEPALIVE_S, s.ONLINE_TOPIC, "false")
        )
        answer = b""
        while len(answer) < 4:
            part = self.socket.recv(4 - len(answer))
            if not part:
                raise OSError("the broker hangs up")
            answer += part
        if mqtt_packets.welcome(answer) != 0:
            raise OSError("the broker refuses: user or password?")
        self.send(mqtt_packets.publish(s.ONLINE_TOPIC, "true", True))

    def send(self, packet):
        """All of it, or OSError."""
        while packet:
            packet = packet[self.socket.send(packet):]

    def lost(self):
        """Close, and wait longer before the next try."""
        if self.socket is not None:
            self.socket.close()
            self.socket = None
        self.pause_ms = min(2 * self.pause_ms, 60_000) or 1000
