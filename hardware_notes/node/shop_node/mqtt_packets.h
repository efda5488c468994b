// The five packets of MQTT 3.1.1 that a node needs, built into a buffer of the caller. No board, no sockets.
//
// OASIS MQTT 3.1.1: CONNECT (3.1), CONNACK (3.2), PUBLISH with quality of service 0 (3.3), PINGREQ (3.12), DISCONNECT
// (3.14). Every builder returns the packet's length, 0 if it does not fit.
#pragma once

#include <stddef.h>
#include <stdint.h>
#include <string.h>

namespace shop {

class Packet {
 public:
  Packet(uint8_t* out, size_t room) : out_(out), room_(room), length_(0), ok_(true) {}

  void byte(uint8_t value) {
    if (length_ < room_) out_[length_++] = value;
    else ok_ = false;
  }

  void bytes(const char* data, size_t count) {
    for (size_t i = 0; i < count; ++i) byte((uint8_t)data[i]);
  }

  void text(const char* data) {
    const size_t count = strlen(data);
    byte((uint8_t)(count >> 8));
    byte((uint8_t)count);
    bytes(data, count);
  }

  void remaining(size_t count) {
    do {
      const uint8_t seven = count % 128;
      count /= 128;
      byte(count ? seven | 0x80 : seven);
    } while (count);
  }

  size_t done() const { return ok_ ? length_ : 0; }

 private:
  uint8_t* out_;
  size_t room_;
  size_t length_;
  bool ok_;
};

// user and password may be empty. The will is what the broker says, retained, when the node vanishes.
inline size_t mqtt_connect(uint8_t* out, size_t room, const char* id, const char* user, const char* password,
                           uint16_t keepalive_s, const char* will_topic, const char* will) {
  size_t count = 10 + 2 + strlen(id) + 2 + strlen(will_topic) + 2 + strlen(will);
  uint8_t flags = 0x02 | 0x04 | 0x20;  // clean session, will, will retained
  if (*user) {
    flags |= 0x80;
    count += 2 + strlen(user);
    if (*password) {
      flags |= 0x40;
      count += 2 + strlen(password);
    }
  }
  Packet packet(out, room);
  packet.byte(0x10);
  packet.remaining(count);
  packet.text("MQTT");
  packet.byte(4);
  packet.byte(flags);
  packet.byte((uint8_t)(keepalive_s >> 8));
  packet.byte((uint8_t)keepalive_s);
  packet.text(id);
  packet.text(will_topic);
  packet.text(will);
  if (flags & 0x80) packet.text(user);
  if (flags & 0x40) packet.text(password);
  return packet.done();
}

inline size_t mqtt_publish(uint8_t* out, size_t room, const char* topic, const char* payload, size_t length, bool retain) {
  Packet packet(out, room);
  packet.byte(retain ? 0x31 : 0x30);
  packet.remaining(2 + strlen(topic) + length);
  packet.text(topic);
  packet.bytes(payload, length);
  return packet.done();
}

inline size_t mqtt_ping(uint8_t* out, size_t room) {
  Packet packet(out, room);
  packet.byte(0xC0);
  packet.byte(0);
  return packet.done();
}

inline size_t mqtt_goodbye(uint8_t* out, size_t room) {
  Packet packet(out, room);
  packet.byte(0xE0);
  packet.byte(0);
  return packet.done();
}

// The broker's answer to CONNECT: 0 welcome, 1-5 refused (4 and 5: user or password), -1 that is no answer.
inline int mqtt_welcome(const uint8_t* in, size_t length) {
  return length == 4 && in[0] == 0x20 && in[1] == 2 ? in[3] : -1;
}

}  // namespace shop
