"""Addresses and bits of the RP2040 that MicroPython has no names for, with the section of the chip's data sheet.

The data sheet was not at hand: addresses, bits and section numbers are from memory. The second witness are the sources
of an emulator that others wrote from it (`tests/emulated_chip/fetch.sh`): its own numbers are the same for everything
here but the words of the temperature sensor, which it does not model. No third one: nothing has run on silicon.
"""

# 4.9.6 ADC: list of registers
ADC_CS = 0x4004_C000  # control and status
ADC_FCS = 0x4004_C008  # control and status of the FIFO
ADC_FIFO = 0x4004_C00C  # oldest conversion in it
CS_ENABLE = 1 << 0  # EN
CS_START_ONCE = 1 << 2  # START_ONCE: one conversion, then the bit clears itself
CS_INPUT_SHIFT = 12  # AINSEL: input 0 to 3 for GP26 to GP29, 4 for the temperature sensor
FCS_ENABLE = 1 << 0  # EN: conversions go into the FIFO
FCS_DREQ = 1 << 3  # DREQ_EN: the FIFO asks the DMA to take them
FCS_EMPTY = 1 << 8  # EMPTY
FCS_OVER = 1 << 11  # OVER: a conversion found the FIFO full and was lost; stays until a 1 is written to it
FCS_CLEAR = 1 << 10 | FCS_OVER  # UNDER and OVER
FCS_THRESHOLD_1 = 1 << 24  # THRESH: ask from one word on

# 4.9.5 temperature sensor: 0.706 V at 27 degC, 1.721 mV less for each kelvin more; 65536 for 3.3 V, the lower 4 bits 0
TEMPERATURE_INPUT = 4
WORD_AT_85_C = 12032
WORD_AT_MINUS_20_C = 15616

# 4.5.3 PWM: list of registers
PWM_BASE = 0x4005_0000
PWM_SLICE = 0x14  # from one slice to the next
PWM_CSR, PWM_DIV, PWM_COUNTER, PWM_TOP = 0x00, 0x04, 0x08, 0x10  # CHn_CSR, CHn_DIV, CHn_CTR, CHn_TOP
PWM_ENABLES = 0x4005_00A0  # EN: the enables of all slices in one word
DIV_SHIFT = 4  # INT of CHn_DIV; below it four bits of fraction

# 2.1.2 atomic register access
ALIAS_SET, ALIAS_CLEAR = 0x2000, 0x3000  # writing there sets or clears bits

# 2.5.3.1 system DREQ table; 2.5.7 DMA: list of registers, DATA_SIZE of CHn_CTRL_TRIG
DREQ_PWM_WRAP_0, DREQ_ADC = 24, 36
BYTE_2, BYTE_4 = 1, 2

# 4.7.6 watchdog: list of registers
WATCHDOG_REASON = 0x4005_8008  # why the chip started; 0 after power-up
REASON_TIMER = 1 << 0  # TIMER: nobody fed it in time
REASON_FORCE = 1 << 1  # FORCE: the program asked for it
