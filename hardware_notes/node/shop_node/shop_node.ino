// The shop node: two pressures and a motor current, once a second, as a line over the serial port (and to a broker).
//
//   $inlet_pa=-2100.5,filter_pa=310.2,motor_a=9.42*18
//
// It measures and tells; it decides nothing, and it switches nothing. All arithmetic is in signal_math.h, all that is
// fitted in settings.h.

#include <Arduino.h>

#include "board.h"
#include "settings.h"
#include "signal_math.h"
#if NODE_MQTT
#include "mqtt_link.h"
static MqttLink mqtt_link;
#endif

static const uint16_t TOP = (1U << ADC_BITS) - 1;
// A converter rounds down: the middle of a count lies half a count higher.
static const float VOLTS_PER_COUNT = ADC_VOLTS / (float)(1UL << ADC_BITS);
static const float HALF = 0.5f;

static shop::Window inlet(TOP), bags(TOP), motor(TOP);
static float inlet_pa[WINDOWS], bags_pa[WINDOWS], motor_a[WINDOWS];
static char text[160];

// A pressure now and then between the many readings of the current. The first reading after the converter has been
// switched to another pin still holds some of the old pin's voltage: it is thrown away.
static void read_pressure(const shop::PressureInput& input, shop::Window& window) {
  analogRead(input.pin);
  window.add((uint16_t)analogRead(input.pin));
}

static void watch(uint8_t number) {
  inlet.clear();
  bags.clear();
  motor.clear();
  const uint32_t began = micros();
  uint8_t turn = 0;
  analogRead(MOTOR.pin);
  while ((uint32_t)(micros() - began) < WINDOW_US) {
    motor.add((uint16_t)analogRead(MOTOR.pin));
    if (++turn == 16) {
      turn = 0;
      read_pressure(INLET, inlet);
      read_pressure(BAGS, bags);
      analogRead(MOTOR.pin);
    }
  }
  inlet_pa[number] = inlet.clipped() ? NAN : shop::pressure_pa(INLET, (inlet.mean() + HALF) * VOLTS_PER_COUNT);
  bags_pa[number] = bags.clipped() ? NAN : shop::pressure_pa(BAGS, (bags.mean() + HALF) * VOLTS_PER_COUNT);
  motor_a[number] = motor.clipped() ? NAN : shop::current_a(MOTOR, motor.rms() * VOLTS_PER_COUNT);
}

static void fill(shop::Line& line, bool json) {
  line.begin(json);
  line.add("inlet_pa", shop::median(inlet_pa, WINDOWS), 1);
  line.add("filter_pa", shop::median(bags_pa, WINDOWS), 1);
  line.add("motor_a", shop::median(motor_a, WINDOWS), 2);
  line.end();
}

void setup() {
  watchdog_begin();
  Serial.begin(BAUD);
#if ADC_BITS != 10
  analogReadResolution(ADC_BITS);
#endif
#if NODE_MQTT
  mqtt_link.begin();
#endif
}

void loop() {
  const uint32_t began = millis();
  for (uint8_t number = 0; number < WINDOWS; ++number) watch(number);
  shop::Line line(text, sizeof text);
  fill(line, false);
  if (line.ok()) Serial.print(line.text());
#if NODE_MQTT
  fill(line, true);
  if (line.ok()) mqtt_link.say(line.text(), line.length());
#endif
  watchdog_feed();
  while ((uint32_t)(millis() - began) < 1000) delay(1);
}
