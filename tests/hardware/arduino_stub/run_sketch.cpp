// Runs the sketch for a number of its seconds: run_sketch SECONDS [real milliseconds to sleep after each].
#include <Arduino.h>
#include <unistd.h>

Board board;
SerialPort Serial;

void setup();
void loop();

int main(int count, char** words) {
  for (int pin = 0; pin < 3; ++pin) {
    char name[] = "PIN_0";
    name[4] = (char)('0' + pin);
    const char* text = getenv(name);
    double* p = board.pin[pin];
    if (text) sscanf(text, "%lf,%lf,%lf,%lf,%lf", p, p + 1, p + 2, p + 3, p + 4);
  }
  if (getenv("VOLTS")) board.volts = atof(getenv("VOLTS"));
  const uint64_t began = board.now_us;
  const int seconds = atoi(words[1]);
  setup();
  for (int i = 0; i < seconds; ++i) {
    loop();
    if (count > 2) usleep(1000u * (useconds_t)atoi(words[2]));
  }
  fprintf(stderr, "took %.3f s, longest without feeding the watchdog %.3f s\n", (double)(board.now_us - began) * 1e-6,
          (double)board.hungriest_us * 1e-6);
  return 0;
}
