// Lets a test call the node's arithmetic: one request a line on standard input, one answer a line.
#include <stdio.h>
#include <stdlib.h>

#include <iostream>
#include <sstream>
#include <string>
#include <vector>

#include "mqtt_packets.h"
#include "signal_math.h"

using shop::Window;

static std::string word(std::istream& in) {
  std::string text;
  in >> text;
  return text == "\"\"" ? "" : text;
}

static void show(const uint8_t* bytes, size_t count) {
  for (size_t i = 0; i < count; ++i) printf("%02x", bytes[i]);
  printf("\n");
}

int main() {
  std::string request;
  while (std::getline(std::cin, request)) {
    std::istringstream in(request);
    const std::string what = word(in);
    if (what == "window") {
      unsigned top, value;
      in >> top;
      Window window((uint16_t)top);
      while (in >> value) window.add((uint16_t)value);
      printf("%u %.9g %.9g %d\n", window.count(), window.mean(), window.rms(), window.clipped());
    } else if (what == "median") {
      std::vector<float> values;
      for (std::string text = word(in); !text.empty(); text = word(in)) values.push_back(strtof(text.c_str(), nullptr));
      printf("%.9g\n", shop::median(values.data(), (uint8_t)values.size()));
    } else if (what == "pressure") {
      shop::PressureInput input = {};
      in >> input.divider >> input.low_v >> input.low_pa >> input.high_v >> input.high_pa >> input.fault_below_v >>
          input.fault_above_v;
      printf("%.9g\n", shop::pressure_pa(input, strtof(word(in).c_str(), nullptr)));
    } else if (what == "current") {
      shop::CurrentInput input = {};
      in >> input.amps_per_volt >> input.quiet_a;
      printf("%.9g\n", shop::current_a(input, strtof(word(in).c_str(), nullptr)));
    } else if (what == "line" || what == "json") {
      size_t room;
      in >> room;
      std::vector<char> buffer(room);
      shop::Line line(buffer.data(), room);
      line.begin(what == "json");
      for (std::string name = word(in); !name.empty(); name = word(in)) {
        const float value = strtof(word(in).c_str(), nullptr);
        int decimals;
        in >> decimals;
        line.add(name.c_str(), value, (uint8_t)decimals);
      }
      line.end();
      std::string text(line.text(), line.length());
      while (!text.empty() && (text.back() == '\n' || text.back() == '\r')) text.pop_back();
      printf("%d %s\n", line.ok(), text.c_str());
    } else if (what == "connect") {
      uint8_t out[512];
      const std::string id = word(in), user = word(in), password = word(in);
      unsigned keepalive;
      in >> keepalive;
      const std::string topic = word(in), will = word(in);
      show(out, shop::mqtt_connect(out, sizeof out, id.c_str(), user.c_str(), password.c_str(), (uint16_t)keepalive,
                                   topic.c_str(), will.c_str()));
    } else if (what == "publish") {
      uint8_t out[512];
      size_t room;
      int retain;
      in >> room >> retain;
      const std::string topic = word(in), payload = word(in);
      show(out, shop::mqtt_publish(out, room, topic.c_str(), payload.data(), payload.size(), retain != 0));
    } else if (what == "ping") {
      uint8_t out[8];
      show(out, shop::mqtt_ping(out, sizeof out));
    } else if (what == "goodbye") {
      uint8_t out[8];
      show(out, shop::mqtt_goodbye(out, sizeof out));
    } else if (what == "welcome") {
      std::vector<uint8_t> bytes;
      unsigned value;
      while (in >> value) bytes.push_back((uint8_t)value);
      printf("%d\n", shop::mqtt_welcome(bytes.data(), bytes.size()));
    }
    fflush(stdout);
  }
  return 0;
}
