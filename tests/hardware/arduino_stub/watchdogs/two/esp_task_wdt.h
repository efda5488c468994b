// The watchdog of a third family of boards: it runs already, and a task joins it.
#pragma once

#include <Arduino.h>

inline void esp_task_wdt_add(void*) {
  board.watched = true;
  board.fed_us = board.now_us;
}
inline void esp_task_wdt_reset() {
  if (board.watched && board.now_us - board.fed_us > board.hungriest_us) board.hungriest_us = board.now_us - board.fed_us;
  board.fed_us = board.now_us;
}
