/* Registers and clocks of the board that main.c runs on: here those of the machine netduinoplus2 of QEMU,
   a Cortex-M4. For a board of your own: its addresses, its clocks (an emulator needs no set-up of clocks
   and pins; a board does, before main), and its converter. */

#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(address))

#define CPU_HZ 168000000u
#define TIMER_HZ 1000000000u /* counts of TIM2 before its prescaler */
#define UART_HZ 84000000u

/* Cortex-M4 (the architecture's own) */
#define SYSTICK_CONTROL REGISTER(0xE000E010)
#define SYSTICK_RELOAD REGISTER(0xE000E014)
#define SYSTICK_VALUE REGISTER(0xE000E018)

/* TIM2: 32 bits, counts on without end */
#define TIMER_CONTROL REGISTER(0x40000000)
#define TIMER_EVENT REGISTER(0x40000014)
#define TIMER_COUNT REGISTER(0x40000024)
#define TIMER_PRESCALER REGISTER(0x40000028)
#define TIMER_RELOAD REGISTER(0x4000002C)

/* USART1 */
#define UART_STATUS REGISTER(0x40011000)
#define UART_DATA REGISTER(0x40011004)
#define UART_BAUD REGISTER(0x40011008)
#define UART_CONTROL REGISTER(0x4001100C)
#define UART_CAN_TAKE 0x80u /* in UART_STATUS */
#define UART_ON 0x2008u     /* in UART_CONTROL: enabled, sends */

/* ADC1 */
#define ADC_CONTROL REGISTER(0x40012008)
#define ADC_CHANNEL REGISTER(0x40012034) /* first and only one of its sequence */
#define ADC_DATA REGISTER(0x4001204C)
#define ADC_ON 0x1u           /* in ADC_CONTROL */
#define ADC_START 0x40000000u /* in ADC_CONTROL */

/* The emulated converter has its code at once, and no sign that it is done. On a board wait for that sign;
   better, let a timer start the conversions and DMA store them, and take them from there. */
static inline uint16_t board_convert(uint32_t channel)
{
    ADC_CHANNEL = channel;
    ADC_CONTROL = ADC_ON | ADC_START;
    return (uint16_t)ADC_DATA;
}

#endif
