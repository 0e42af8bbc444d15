/* Runs a sketch for some simulated seconds and writes what it sends to standard output.

   Arguments: seconds; bytes a second that the port really takes (0: as its baud rate says); the second at which the
   board is busy with something else, and for how many microseconds. */
#include "core.h"

#include <cstdio>
#include <cstdlib>

void setup();
void loop();

static const uint64_t START_US = 0xFFFFFFFFull - 1500000; /* micros wraps after 1.5 s */
static const int BUFFER = 63;

static uint64_t now_us = START_US;
static uint64_t busy_at_us, busy_us;
static double bytes_per_s, held, emptied_us;

SerialPort Serial;

uint32_t micros()
{
    now_us += 4;
    if (busy_us && now_us >= busy_at_us) {
        now_us += busy_us;
        busy_us = 0;
    }
    return (uint32_t)now_us;
}

/* Phase U: the number of the millisecond in which it was read; V and W: that of U and 100 or 200 more. */
int analogRead(uint8_t pin)
{
    static int code;
    if (pin == A0)
        code = (int)((now_us - START_US) / 1000 % 1000);
    now_us += 112;
    return (code + (pin - A0) * 100) % 1024;
}

/* Pin 2 is high, pin 3 goes low at the third second. */
int digitalRead(uint8_t pin)
{
    return pin == 2 || now_us - START_US < 3000000;
}

void pinMode(uint8_t, uint8_t)
{
}

void SerialPort::begin(unsigned long baud)
{
    if (bytes_per_s <= 0)
        bytes_per_s = (double)baud / 10.0;
    emptied_us = (double)now_us;
}

int SerialPort::availableForWrite()
{
    held -= ((double)now_us - emptied_us) * bytes_per_s / 1e6;
    emptied_us = (double)now_us;
    if (held < 0)
        held = 0;
    return BUFFER - (int)held;
}

size_t SerialPort::write(const uint8_t *bytes, size_t size)
{
    if ((int)size > availableForWrite()) {
        std::fprintf(stderr, "a write that waits\n");
        std::exit(3);
    }
    held += (double)size;
    now_us += size;
    return std::fwrite(bytes, 1, size, stdout);
}

int main(int count, char **words)
{
    if (count != 5)
        return 2;
    const uint64_t end_us = START_US + (uint64_t)(std::atof(words[1]) * 1e6);
    bytes_per_s = std::atof(words[2]);
    busy_at_us = START_US + (uint64_t)(std::atof(words[3]) * 1e6);
    busy_us = (uint64_t)std::atof(words[4]);
    setup();
    while (now_us < end_us)
        loop();
    return 0;
}
