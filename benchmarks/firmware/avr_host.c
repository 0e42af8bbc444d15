/* Runs a firmware on an emulated ATmega328P at 16 MHz until it sleeps for good; what its UART sends is
   printed. */

#include <stdio.h>

#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

static void sent(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    putchar((int)value);
}

int main(int argc, char **argv)
{
    elf_firmware_t firmware = {0};
    uint32_t quiet = 0;
    avr_t *avr = avr_make_mcu_by_name("atmega328p");
    int state = cpu_Running;
    if (argc != 2 || !avr || avr_init(avr) != 0 || elf_read_firmware(argv[1], &firmware) != 0)
        return 2;
    avr->log = LOG_ERROR;
    avr_load_firmware(avr, &firmware);
    avr->frequency = 16000000;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &quiet);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), sent, NULL);
    while (state != cpu_Done && state != cpu_Crashed)
        state = avr_run(avr);
    return state == cpu_Crashed;
}
