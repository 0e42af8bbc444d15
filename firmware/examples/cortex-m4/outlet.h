/* Where frames go. One of outlet_uart.c and outlet_semihosting.c is linked. */

#ifndef OUTLET_H
#define OUTLET_H

#include <stddef.h>
#include <stdint.h>

void outlet_start(void);

/* Begin to send. The bytes must stay as they are until outlet_ready() says 1. */
void outlet_send(const uint8_t *bytes, size_t size);

/* Go on with what is being sent; 1 when all of it is out. To be called often, as a DMA channel needs no
   call. */
int outlet_ready(void);

#endif
