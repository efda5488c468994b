// The node's arithmetic: plain C++ without anything of a board in it, so that a test on a computer can run it.
//
// Counts go in as the converter gives them; means, RMS values, medians, SI values and whole lines come out. A value that
// is not known is NaN, and is sent as such ("nan" in pairs, "null" in JSON): never a number that nobody measured.
#pragma once

#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

namespace shop {

// Sums over one window of counts. The sums are whole numbers, so nothing is lost however many counts there are (up to
// 65535 of 16 bits each).
class Window {
 public:
  explicit Window(uint16_t top) : top_(top) { clear(); }

  void clear() {
    count_ = 0;
    sum_ = 0;
    squares_ = 0;
    at_rails_ = 0;
  }

  void add(uint16_t value) {
    if (count_ == 65535) return;
    ++count_;
    sum_ += value;
    squares_ += (uint32_t)value * value;
    if (value == 0 || value >= top_) ++at_rails_;
  }

  uint16_t count() const { return count_; }

  // Whether the signal touched an end of the converter's range: then its mean and RMS are not to be believed.
  bool clipped() const { return at_rails_ != 0; }

  // Mean count, NaN for an empty window.
  float mean() const { return count_ ? (float)sum_ / count_ : NAN; }

  // RMS of what swings about the mean, in counts: sqrt(mean of squares - square of mean). NaN for fewer than 2 counts.
  float rms() const {
    if (count_ < 2) return NAN;
    // n S2 - S^2 is exact in whole numbers; taking the mean off first would lose digits in a 32-bit float.
    const uint64_t spread = (uint64_t)count_ * squares_ - (uint64_t)sum_ * sum_;
    return sqrtf((float)spread) / count_;
  }

 private:
  uint16_t top_;
  uint16_t count_;
  uint16_t at_rails_;
  uint32_t sum_;
  uint64_t squares_;
};

// Median of the values that are numbers; NaN unless more than half of them are. Sorts a copy (at most 32 values).
inline float median(const float* values, uint8_t count) {
  float sorted[32];
  uint8_t kept = 0;
  for (uint8_t i = 0; i < count && i < 32; ++i) {
    const float value = values[i];
    if (isnan(value)) continue;
    uint8_t at = kept++;
    while (at > 0 && sorted[at - 1] > value) {
      sorted[at] = sorted[at - 1];
      --at;
    }
    sorted[at] = value;
  }
  if (kept * 2 <= count) return NAN;
  return kept % 2 ? sorted[kept / 2] : 0.5f * (sorted[kept / 2 - 1] + sorted[kept / 2]);
}

// A pressure transmitter on an analog pin: the volts that it puts out at two pressures, and the volts that mean a fault
// (a broken wire, no supply). divider is transmitter volts over volts at the pin: 1 without a divider.
struct PressureInput {
  uint8_t pin;
  float divider;
  float low_v;
  float low_pa;
  float high_v;
  float high_pa;
  float fault_below_v;
  float fault_above_v;
};

// A current transformer on an analog pin, biased to the middle of the range: amperes for each volt RMS at the pin, and the
// current that shows with the motor off (noise), which is taken off in quadrature.
struct CurrentInput {
  uint8_t pin;
  float amps_per_volt;
  float quiet_a;
};

inline float pressure_pa(const PressureInput& input, float pin_volts) {
  const float volts = pin_volts * input.divider;
  if (!(volts >= input.fault_below_v && volts <= input.fault_above_v)) return NAN;
  return input.low_pa + (volts - input.low_v) / (input.high_v - input.low_v) * (input.high_pa - input.low_pa);
}

inline float current_a(const CurrentInput& input, float pin_volts_rms) {
  const float amps = pin_volts_rms * input.amps_per_volt;
  const float square = amps * amps - input.quiet_a * input.quiet_a;
  return isnan(amps) ? NAN : sqrtf(square > 0.0f ? square : 0.0f);
}

// The checksum of NMEA 0183: exclusive or of the bytes between '$' and '*'.
inline uint8_t xor_of(const char* text, size_t length) {
  uint8_t sum = 0;
  for (size_t i = 0; i < length; ++i) sum ^= (uint8_t)text[i];
  return sum;
}

// Builds one line in a buffer of the caller. ok() is false if it did not fit: such a line must not be sent.
class Line {
 public:
  Line(char* buffer, size_t room) : buffer_(buffer), room_(room) { begin(false); }

  // json false: $name=value,name=value*HH   json true: {"name":value,"name":value}
  void begin(bool json) {
    json_ = json;
    length_ = 0;
    fields_ = 0;
    ok_ = true;
    put(json ? '{' : '$');
  }

  void add(const char* name, float value, uint8_t decimals) {
    if (fields_++) put(',');
    if (json_) put('"');
    put(name);
    put(json_ ? "\":" : "=");
    put_number(value, decimals);
  }

  // Ends the line (CR and LF after pairs, nothing after JSON) and with it the text, which is zero-terminated.
  void end() {
    if (json_) {
      put('}');
    } else {
      const uint8_t sum = xor_of(buffer_ + 1, length_ - 1);
      put('*');
      put(hex(sum >> 4));
      put(hex(sum & 15));
      put("\r\n");
    }
    put('\0');
    if (ok_) --length_;
    else buffer_[0] = '\0';
  }

  bool ok() const { return ok_; }
  const char* text() const { return buffer_; }
  size_t length() const { return ok_ ? length_ : 0; }

 private:
  static char hex(uint8_t half) { return (char)(half < 10 ? '0' + half : 'A' + half - 10); }

  void put(char c) {
    if (length_ < room_) buffer_[length_++] = c;
    else ok_ = false;
  }

  void put(const char* text) {
    while (*text) put(*text++);
  }

  // No printf: on small boards it knows no fractions.
  void put_number(float value, uint8_t decimals) {
    float scale = 1.0f;
    for (uint8_t i = 0; i < decimals; ++i) scale *= 10.0f;
    const float size = fabsf(value) * scale + 0.5f;
    if (!(size < 4.0e9f)) {  // not a number, or too large to be one
      put(json_ ? "null" : "nan");
      return;
    }
    uint32_t whole = (uint32_t)size;
    if (value < 0.0f && whole != 0) put('-');
    char digits[12];
    uint8_t count = 0;
    do {
      digits[count++] = (char)('0' + whole % 10);
      whole /= 10;
      if (count == decimals) digits[count++] = '.';
    } while (whole != 0 || count <= decimals || digits[count - 1] == '.');
    while (count) put(digits[--count]);
  }

  char* buffer_;
  size_t room_;
  size_t length_;
  uint8_t fields_;
  bool json_;
  bool ok_;
};

}  // namespace shop
