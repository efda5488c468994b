// A board made of a computer: as much of the Arduino core as the node's sketch uses, on a clock of its own.
//
// Time goes on only by what a real board would spend: a conversion takes ADC_US, delay what it says. Each pin carries
// mean + a sin(2 pi f t) + a3 sin(6 pi f t) + noise, in volts, from the environment: PIN_0="mean,a,f,a3,noise".
#pragma once

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define A0 0
#define A1 1
#define A2 2
#ifndef ADC_US
#define ADC_US 112
#endif

struct Board {
  uint64_t now_us = 4294000000ULL;  // the 32-bit clock of a board soon runs over
  unsigned bits = 10;
  double volts = 5.0;
  uint32_t random = 12345;
  uint64_t fed_us = 0;
  uint64_t hungriest_us = 0;
  bool watched = false;
  double pin[3][5] = {};
};
extern Board board;

inline uint32_t micros() { return (uint32_t)board.now_us; }
inline uint32_t millis() { return (uint32_t)(board.now_us / 1000); }
inline void delay(uint32_t ms) { board.now_us += 1000ULL * ms; }
inline void analogReadResolution(int bits) { board.bits = (unsigned)bits; }

inline int analogRead(uint8_t pin) {
  board.now_us += ADC_US;
  const double* p = board.pin[pin];
  const double phase = 2.0 * M_PI * p[2] * (double)board.now_us * 1e-6;
  double noise = 0.0;
  for (int i = 0; i < 12; ++i) {
    board.random = board.random * 1664525u + 1013904223u;
    noise += board.random / 4294967296.0;
  }
  const double volts = p[0] + p[1] * sin(phase) + p[3] * sin(3.0 * phase) + p[4] * (noise - 6.0);
  const double count = floor(volts / board.volts * (double)(1u << board.bits));
  const double top = (double)((1u << board.bits) - 1);
  return (int)(count < 0.0 ? 0.0 : count > top ? top : count);
}

struct SerialPort {
  void begin(unsigned long) {}
  void print(const char* text) {
    fputs(text, stdout);
    fflush(stdout);
  }
};
extern SerialPort Serial;
