// The way to the broker: joins the Wi-Fi, connects, says who is online, publishes, and begins again after a pause that
// doubles from one second to a minute. Never waits longer than the broker's greeting (two seconds).
#pragma once

#include <WiFi.h>

#include "board.h"
#include "mqtt_packets.h"
#include "settings.h"

class MqttLink {
 public:
  void begin() {
    WiFi.begin(WIFI_NAME, WIFI_PASSWORD);
    client_.setTimeout(2000);
  }

  // Publishes one JSON text; false if there is no connection (the value is then old news and is dropped).
  bool say(const char* json, size_t length) {
    if (!client_.connected() && !connect()) return false;
    const size_t count = shop::mqtt_publish(packet_, sizeof packet_, TOPIC, json, length, false);
    if (send(count)) {
      listen();
      return true;
    }
    lost();
    return false;
  }

 private:
  bool connect() {
    if ((uint32_t)(millis() - tried_ms_) < pause_ms_) return false;
    tried_ms_ = millis();
    if (WiFi.status() != WL_CONNECTED) {
      WiFi.begin(WIFI_NAME, WIFI_PASSWORD);
      lost();
      return false;
    }
    watchdog_feed();
    if (!client_.connect(BROKER, BROKER_PORT)) {
      lost();
      return false;
    }
    size_t count = shop::mqtt_connect(packet_, sizeof packet_, NODE_NAME, BROKER_USER, BROKER_PASSWORD, KEEPALIVE_S,
                                      ONLINE_TOPIC, "false");
    if (!send(count) || !greeted()) {
      lost();
      return false;
    }
    count = shop::mqtt_publish(packet_, sizeof packet_, ONLINE_TOPIC, "true", 4, true);
    if (!send(count)) {
      lost();
      return false;
    }
    pause_ms_ = 1000;
    return true;
  }

  bool greeted() {
    uint8_t answer[4];
    size_t got = 0;
    const uint32_t began = millis();
    while (got < 4 && (uint32_t)(millis() - began) < 2000) {
      if (client_.available()) answer[got++] = (uint8_t)client_.read();
      else delay(1);
    }
    return shop::mqtt_welcome(answer, got) == 0;
  }

  // Values go out every second, which keeps the connection alive by itself; what comes in is thrown away.
  void listen() {
    for (uint8_t i = 0; i < 64 && client_.available(); ++i) client_.read();
  }

  bool send(size_t count) { return count != 0 && client_.write(packet_, count) == count; }

  void lost() {
    client_.stop();
    pause_ms_ = pause_ms_ < 30000 ? pause_ms_ * 2 : 60000;
  }

  WiFiClient client_;
  uint8_t packet_[320];
  uint32_t tried_ms_ = 0;
  uint32_t pause_ms_ = 1000;
};
