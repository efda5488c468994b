// What is fitted in this shop. This is the only file to change. Every number here is nominal, from the data sheets: the fine
// calibration (scale and offset of a channel) belongs into ductwarden's configuration, in one place.
#pragma once

#include "signal_math.h"

// 0: lines over the serial port only.  1: the same values to an MQTT broker over Wi-Fi as well.
#ifndef NODE_MQTT
#define NODE_MQTT 0
#endif

#ifndef BAUD
#define BAUD 115200
#endif

// The converter: its bits, and the volts that its largest count means. A 5 V board with 10 bits, or 3.3 V with 12.
#ifndef ADC_BITS
#define ADC_BITS 10
#endif
#ifndef ADC_VOLTS
#define ADC_VOLTS 5.0f
#endif

// A window of 100 ms holds whole cycles of the mains everywhere: 5 of 50 Hz, 6 of 60 Hz. Nine windows make the median of a
// second; the tenth part of the second is for talking.
#define WINDOW_US 100000UL
#define WINDOWS 9

// Pressure transmitters, 0.5 to 4.5 V. The inlet's range is written negative: it hangs on the suction side.
//                               pin  divider  at V     Pa       at V       Pa    fault below, above V
const shop::PressureInput INLET = {A0, 1.0f, 0.5f, 0.0f, 4.5f, -5000.0f, 0.25f, 4.75f};
const shop::PressureInput BAGS = {A1, 1.0f, 0.5f, 0.0f, 4.5f, 2500.0f, 0.25f, 4.75f};
// A 4-20 mA transmitter over 150 ohm instead: {A0, 1.0f, 0.60f, 0.0f, 3.00f, -5000.0f, 0.54f, 3.15f}

// A current transformer with its burden inside, 1 V RMS at 30 A.
const shop::CurrentInput MOTOR = {A2, 30.0f, 0.05f};
// One with a current output, ratio 1000:1 over 47 ohm instead: {A2, 1000.0f / 47.0f, 0.05f}

#if NODE_MQTT
#ifndef WIFI_NAME
#define WIFI_NAME "shop"
#endif
#ifndef WIFI_PASSWORD
#define WIFI_PASSWORD "fill in"
#endif
#ifndef BROKER
#define BROKER "192.168.1.10"
#endif
#ifndef BROKER_PORT
#define BROKER_PORT 1883
#endif
#ifndef BROKER_USER
#define BROKER_USER ""
#endif
#ifndef BROKER_PASSWORD
#define BROKER_PASSWORD ""
#endif
#define NODE_NAME "shop-node"
#define TOPIC "shop/unit"
#define ONLINE_TOPIC "shop/node/online"
#define KEEPALIVE_S 30
#endif
