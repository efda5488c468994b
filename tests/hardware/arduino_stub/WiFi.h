// Wi-Fi that is always there, and a client that is a real socket of the loopback interface.
#pragma once

#include <Arduino.h>
#include <arpa/inet.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#define WL_CONNECTED 3

struct WiFiClass {
  void begin(const char*, const char*) {}
  int status() { return WL_CONNECTED; }
};
static WiFiClass WiFi;

class WiFiClient {
 public:
  void setTimeout(unsigned long) {}
  int connect(const char* host, uint16_t port) {
    stop();
    socket_ = ::socket(AF_INET, SOCK_STREAM, 0);
    sockaddr_in where = {};
    where.sin_family = AF_INET;
    where.sin_port = htons(port);
    inet_pton(AF_INET, host, &where.sin_addr);
    if (::connect(socket_, (sockaddr*)&where, sizeof where) != 0) {
      stop();
      return 0;
    }
    return 1;
  }
  bool connected() {
    if (socket_ < 0) return false;
    char byte;
    return ::recv(socket_, &byte, 1, MSG_PEEK | MSG_DONTWAIT) != 0;
  }
  int available() {
    if (socket_ < 0) return 0;
    pollfd one = {socket_, POLLIN, 0};
    if (::poll(&one, 1, 1) <= 0) return 0;
    char byte;
    return ::recv(socket_, &byte, 1, MSG_PEEK | MSG_DONTWAIT) > 0;
  }
  int read() {
    unsigned char byte;
    return ::recv(socket_, &byte, 1, MSG_DONTWAIT) == 1 ? byte : -1;
  }
  size_t write(const uint8_t* data, size_t count) {
    const ssize_t sent = ::send(socket_, data, count, MSG_NOSIGNAL);
    return sent < 0 ? 0 : (size_t)sent;
  }
  void stop() {
    if (socket_ >= 0) ::close(socket_);
    socket_ = -1;
  }

 private:
  int socket_ = -1;
};
