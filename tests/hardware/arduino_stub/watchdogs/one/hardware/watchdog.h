// The watchdog of another family of boards.
#pragma once

#include <Arduino.h>

inline void watchdog_enable(uint32_t, bool) {
  board.watched = true;
  board.fed_us = board.now_us;
}
inline void watchdog_update() {
  if (board.watched && board.now_us - board.fed_us > board.hungriest_us) board.hungriest_us = board.now_us - board.fed_us;
  board.fed_us = board.now_us;
}
