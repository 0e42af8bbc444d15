/* Frames to a UART: 921600 Bd, 8 data bits, no parity, one stop bit. */

#include "board.h"
#include "outlet.h"

#define BAUD 921600u

static const uint8_t *next;
static size_t left;

void outlet_start(void)
{
    UART_BAUD = (UART_HZ + BAUD / 2u) / BAUD;
    UART_CONTROL = UART_ON;
}

void outlet_send(const uint8_t *bytes, size_t size)
{
    next = bytes;
    left = size;
}

int outlet_ready(void)
{
    while (left && (UART_STATUS & UART_CAN_TAKE)) {
        UART_DATA = *next++;
        left--;
    }
    return left == 0;
}
