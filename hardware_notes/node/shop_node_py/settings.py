"""What is fitted in this shop. This is the only file to change.

Every number here is nominal, from the data sheets: the fine calibration (scale and offset of a channel) belongs into
ductwarden's configuration, in one place.
"""

MQTT = False  # True: the same values to a broker over Wi-Fi as well

# The converter gives 0 to 65535 whatever its bits; this many volts is the largest.
ADC_VOLTS = 3.3

# A window of 100 ms holds whole cycles of the mains everywhere: 5 of 50 Hz, 6 of 60 Hz. Nine windows make the median of a
# second; the tenth part of the second is for talking.
WINDOW_US = 100_000
WINDOWS = 9
MOST_COUNTS = 2_000  # so many readings of the current a window at most

# Pressure transmitters, 0.5 to 4.5 V, halved by two equal resistors for a converter of 3.3 V ("divider" is transmitter
# volts over pin volts). The inlet's range is written negative: it hangs on the suction side.
INLET = {
    "pin": 26, "divider": 2.0, "low_v": 0.5, "low_pa": 0.0, "high_v": 4.5, "high_pa": -5000.0,
    "fault_below_v": 0.25, "fault_above_v": 4.75,
}
BAGS = {
    "pin": 27, "divider": 2.0, "low_v": 0.5, "low_pa": 0.0, "high_v": 4.5, "high_pa": 2500.0,
    "fault_below_v": 0.25, "fault_above_v": 4.75,
}
# A 4-20 mA transmitter over 150 ohm instead: divider 1.0, low_v 0.60, high_v 3.00, faults 0.54 and 3.15.

# A current transformer with its burden inside, 1 V RMS at 30 A, biased to half the supply.
MOTOR = {"pin": 28, "amps_per_volt": 30.0, "quiet_a": 0.05}
# One with a current output, ratio 1000:1 over 47 ohm instead: amps_per_volt 1000 / 47.

WIFI_NAME = "shop"
WIFI_PASSWORD = "fill in"
BROKER = "192.168.1.10"
BROKER_PORT = 1883
BROKER_USER = ""
BROKER_PASSWORD = ""
NODE_NAME = "shop-node"
TOPIC = "shop/unit"
ONLINE_TOPIC = "shop/node/online"
KEEPALIVE_S = 30
