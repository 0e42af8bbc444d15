/* As much of a board's core as the sketch asks for, on a clock of its own: nothing waits, a run is the same each time. */
#ifndef CORE_H
#define CORE_H

#include <stddef.h>
#include <stdint.h>

enum { A0 = 14, A1, A2 };
enum { INPUT, INPUT_PULLUP };

uint32_t micros();
int analogRead(uint8_t pin);
int digitalRead(uint8_t pin);
void pinMode(uint8_t pin, uint8_t mode);

struct SerialPort {
    void begin(unsigned long baud);
    int availableForWrite();
    size_t write(const uint8_t *bytes, size_t size);
};
extern SerialPort Serial;

#endif
