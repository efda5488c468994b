// What differs from board to board: the watchdog. It restarts a node that hangs, eight seconds after the last feeding.
#pragma once

#include <Arduino.h>

#if defined(__AVR__) || defined(NODE_TEST_AVR)
#include <avr/wdt.h>

inline void watchdog_begin() {
  MCUSR = 0;  // after a restart by the watchdog it still runs, with its shortest time
  wdt_disable();
  wdt_enable(WDTO_8S);
}
inline void watchdog_feed() { wdt_reset(); }

#elif __has_include(<hardware/watchdog.h>)
#include <hardware/watchdog.h>

inline void watchdog_begin() { watchdog_enable(8000, true); }
inline void watchdog_feed() { watchdog_update(); }

#elif __has_include(<esp_task_wdt.h>)
#include <esp_task_wdt.h>

inline void watchdog_begin() { esp_task_wdt_add(NULL); }  // the time is the core's own, five seconds or so
inline void watchdog_feed() { esp_task_wdt_reset(); }

#else
#warning "no watchdog is known for this board: a node that hangs stays silent until somebody restarts it"
inline void watchdog_begin() {}
inline void watchdog_feed() {}
#endif
