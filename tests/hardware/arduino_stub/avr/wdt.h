// The watchdog of an 8-bit board: the stub notes how long it was left without food.
#pragma once

#include <Arduino.h>

#define WDTO_8S 9
static int MCUSR;
inline void wdt_disable() {}
inline void wdt_reset() {
  if (board.watched && board.now_us - board.fed_us > board.hungriest_us) board.hungriest_us = board.now_us - board.fed_us;
  board.fed_us = board.now_us;
}
inline void wdt_enable(int) {
  board.watched = true;
  board.fed_us = board.now_us;
}
