// The compiled sketch on a simulated 8-bit processor (simavr): harness NODE.elf SECONDS MAINS_HZ
// Pins: 2.4 V and 1.1 V with a fan's pulsation, and 2.5 V with 0.4714 V of mains and a tenth of third harmonic.
#include <math.h>
#include <simavr/avr_adc.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CLOCK 16000000.0
static avr_t *avr;
static double hertz;

static void convert(struct avr_irq_t *irq, uint32_t value, void *param) {
  union {
    avr_adc_mux_t mux;
    uint32_t v;
  } asked = {.v = value};
  const double t = (double)avr->cycle / CLOCK, turn = 2.0 * M_PI * hertz * t;
  const int pin = asked.mux.src;
  const double volts = pin == 0   ? 2.4 + 0.03 * sin(2.0 * M_PI * 29.3 * t)
                       : pin == 1 ? 1.1 + 0.02 * sin(2.0 * M_PI * 31.7 * t)
                                  : 2.5 + 0.4714 * (sin(turn) + 0.1 * sin(3.0 * turn));
  (void)irq;
  (void)param;
  avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + pin), (uint32_t)lrint(volts * 1000.0));
}

static void sent(struct avr_irq_t *irq, uint32_t value, void *param) {
  (void)irq;
  (void)param;
  putchar((int)value);
}

int main(int count, char **words) {
  elf_firmware_t firmware = {{0}};
  if (count < 4 || elf_read_firmware(words[1], &firmware) != 0) return 2;
  strcpy(firmware.mmcu, "atmega328p");
  firmware.frequency = (uint32_t)CLOCK;
  hertz = atof(words[3]);
  avr = avr_make_mcu_by_name("atmega328p");
  avr_init(avr);
  avr_load_firmware(avr, &firmware);
  avr->vcc = avr->avcc = avr->aref = 5000;
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), convert, NULL);
  uint32_t flags = 0;
  avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
  flags &= ~AVR_UART_FLAG_STDIO;
  avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), sent, NULL);
  while ((double)avr->cycle < CLOCK * atof(words[2])) {
    const int state = avr_run(avr);
    if (state == cpu_Done || state == cpu_Crashed) return 3;
  }
  return 0;
}
