/* Everything that another chip or another board needs changed, and nothing else.
 *
 * This one: ATmega328P, 16 MHz crystal, 5 V. Owns the pins, the timers' and the serial port's registers by their use, and
 * the constants of the wiring. Pin numbers are those that are printed on the usual board, and those of the counts format:
 * 0 to 7 are port D, 8 to 13 port B, a0 to a5 port C. */
#ifndef BOARD_H
#define BOARD_H

#include <avr/io.h>
#include <stdint.h>

#ifndef F_CPU
#define F_CPU 16000000UL
#endif

#define FIRMWARE_VERSION "0.1.0"
#define BOARD_NAME "atmega328p"

/* ---- Serial line. 500,000 baud is exact from 16 MHz; 115,200 is 2.1 % off. Set with `make BAUD=...`. ---- */
#ifndef BAUD
#define BAUD 500000UL
#endif
/* Twice the speed, since that meets more rates: F_CPU / (8 * (divider + 1)), rounded. */
#define SERIAL_DIVIDER ((F_CPU + 4UL * BAUD) / (8UL * BAUD) - 1UL)
#define SERIAL_START() \
    do { \
        UCSR0A = _BV(U2X0); \
        UBRR0 = SERIAL_DIVIDER; \
        UCSR0C = _BV(UCSZ01) | _BV(UCSZ00); \
        UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0); \
    } while (0)
#define SERIAL_DATA UDR0
/* Of the byte that is read next: it is damaged, or bytes before it are lost. */
#define SERIAL_SPOILT() (UCSR0A & (_BV(FE0) | _BV(DOR0)))
#define SERIAL_CAME_VECTOR USART_RX_vect
/* There is room for a byte to send. */
#define SERIAL_ROOM_VECTOR USART_UDRE_vect
#define SERIAL_ROOM_ON() (UCSR0B |= _BV(UDRIE0))
#define SERIAL_ROOM_OFF() (UCSR0B &= (uint8_t)~_BV(UDRIE0))

/* ---- Readings. ---- */
#define DEFAULT_RATE_HZ 50u
#define MOST_RATE_HZ 200u

/* ---- Analog inputs: channels 0 to ANALOG_INPUTS - 1 of the converter, against its supply. ---- */
#define ANALOG_INPUTS 6u
#define ADC_MAX "1023"
/* The fixed reference as a channel of the converter. Its real voltage differs from chip to chip: the computer knows it. */
#define REFERENCE_CHANNEL 14u
#define CONVERTER_VECTOR ADC_vect
#define CONVERTER_RESULT ADC
/* Which input the next conversion takes; the supply is what it is measured against. */
#define CONVERTER_SELECT(channel) (ADMUX = _BV(REFS0) | (channel))
/* At 125 kHz, for all ten bits: a conversion takes 104 us. The digital halves of the analog pins only draw current. */
#define CONVERTER_ON() \
    do { \
        DIDR0 = (uint8_t)((1u << ANALOG_INPUTS) - 1u); \
        ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); \
    } while (0)
#define CONVERTER_START() (ADCSRA |= _BV(ADSC))

/* ---- Pulse inputs: pins 2 and 3, each with an interrupt of its own, at the falling edge, with pull-up. ---- */
#define PULSE_INPUTS 2u
#define PULSE_NUMBERS {2, 3}
#define PULSE_PINS_TEXT "2,3"
#define PULSE_PULLUPS() (PORTD |= _BV(PORTD2) | _BV(PORTD3))
#define PULSE_FALLING() (EICRA = _BV(ISC01) | _BV(ISC11))
#define PULSE_0_VECTOR INT0_vect
#define PULSE_1_VECTOR INT1_vect
#define PULSE_0_BIT _BV(INT0)
#define PULSE_1_BIT _BV(INT1)
#define PULSE_MASK EIMSK
#define PULSE_FLAGS EIFR
/* An edge that follows the last counted one sooner than this is ringing, in us. For each pin: an engine of 6,000 1/min
 * with 60 teeth gives an edge each 167 us. */
#define DEAD_TIME_US_0 100u
#define DEAD_TIME_US_1 100u

/* ---- Level inputs, with pull-up: open reads 1. ---- */
#define LEVEL_INPUTS 1u
#define LEVEL_PINS_TEXT "4"
#define LEVEL_PULLUPS() (PORTD |= _BV(PORTD4))
#define LEVEL_NUMBERS {4}
#define LEVEL_READ(index) ((PIND >> PIND4) & 1u)

/* ---- Outputs. Low is rest. ---- */
#define SWITCH_OUTPUTS 2u
#define SWITCH_PINS_TEXT "7,12"
#define FREQUENCY_PIN 9u
#define DUTY_PIN 6u
enum output_number { OUTPUT_SWITCH_0, OUTPUT_SWITCH_1, OUTPUT_FREQUENCY, OUTPUT_DUTY, OUTPUTS };
/* Their names in the counts format: kind and pin. */
#define OUTPUT_KINDS {'d', 'd', 'f', 'w'}
#define OUTPUT_NUMBERS {7, 12, FREQUENCY_PIN, DUTY_PIN}
/* Low before they drive anything, so that none is high for an instant. */
#define OUTPUTS_AT_REST() \
    do { \
        PORTD &= (uint8_t)~(_BV(PORTD7) | _BV(PORTD6)); \
        PORTB &= (uint8_t)~(_BV(PORTB4) | _BV(PORTB1)); \
        DDRD |= _BV(DDD7) | _BV(DDD6); \
        DDRB |= _BV(DDB4) | _BV(DDB1); \
    } while (0)
#define SWITCH_0_ON() (PORTD |= _BV(PORTD7))
#define SWITCH_0_OFF() (PORTD &= (uint8_t)~_BV(PORTD7))
#define SWITCH_0_READ() ((PIND >> PIND7) & 1u)
#define SWITCH_1_ON() (PORTB |= _BV(PORTB4))
#define SWITCH_1_OFF() (PORTB &= (uint8_t)~_BV(PORTB4))
#define SWITCH_1_READ() ((PINB >> PINB4) & 1u)

/* ---- The clock: a timer of sixteen bits at two ticks a microsecond that nothing ever stops or sets. ---- */
#define CLOCK_START() \
    do { \
        TCCR1A = 0; \
        TCCR1B = _BV(CS11); \
        TIMSK1 = _BV(TOIE1); \
    } while (0)
#define CLOCK_TICKS TCNT1
#define CLOCK_OVERFLOWED() (TIFR1 & _BV(TOV1))
#define CLOCK_VECTOR TIMER1_OVF_vect
#define TICKS_PER_US 2u
/* How long the timer takes around, in us. */
#define CLOCK_ROUND_US 32768UL

/* ---- The square wave: the clock's first compare, which drives pin 9 itself. ---- */
#define WAVE_VECTOR TIMER1_COMPA_vect
#define WAVE_COMPARE OCR1A
#define WAVE_INTERRUPT_ON() (TIMSK1 |= _BV(OCIE1A))
#define WAVE_INTERRUPT_OFF() (TIMSK1 &= (uint8_t)~_BV(OCIE1A))
/* What the next match does to the pin. */
#define WAVE_NEXT_HIGH() (TCCR1A = _BV(COM1A1) | _BV(COM1A0))
#define WAVE_NEXT_LOW() (TCCR1A = _BV(COM1A1))
/* The pin is the port's again, which is low. */
#define WAVE_RELEASE() (TCCR1A = 0)
/* The level that the pin has, whatever drives it. */
#define WAVE_READ() ((PINB >> PINB1) & 1u)

/* ---- The end of a dead time in a storm of edges: the clock's second compare, which drives nothing. ---- */
#define STORM_VECTOR TIMER1_COMPB_vect
#define STORM_COMPARE OCR1B
#define STORM_INTERRUPT_ON() (TIMSK1 |= _BV(OCIE1B))
#define STORM_INTERRUPT_OFF() (TIMSK1 &= (uint8_t)~_BV(OCIE1B))

/* ---- Why the chip started; several flags may stand at once. ---- */
#define RESET_FLAGS MCUSR
#define RESET_BY_POWER _BV(PORF)
#define RESET_BY_BROWN_OUT _BV(BORF)
#define RESET_BY_WATCHDOG _BV(WDRF)
#define RESET_BY_PIN _BV(EXTRF)
/* The watchdog's time. */
#define WATCHDOG_TIME WDTO_250MS

/* ---- The duty output's carrier, and the beat that leases are counted in: a timer of eight bits. ---- */
#define BEAT_START() \
    do { \
        TCCR0A = _BV(WGM01) | _BV(WGM00); \
        TCCR0B = _BV(CS01) | _BV(CS00); \
        TIMSK0 = _BV(TOIE0); \
    } while (0)
#define BEAT_VECTOR TIMER0_OVF_vect
/* A beat is 64 * 256 / 16 MHz = 1.024 ms: so many beats are never longer than `ms`. */
#define BEATS_OF_MS(ms) ((uint16_t)((uint32_t)(ms) * 125u / 128u))
#define DUTY_COMPARE OCR0A
/* Whether the timer is at a step at which it holds the pin high. */
#define DUTY_SHOULD_BE_HIGH() (TCNT0 <= OCR0A)
/* Three bytes that an interrupt reaches in half the time of any other; nothing else uses them. */
#define DUTY_LOOKED GPIOR0
#define DUTY_SEEN_HIGH GPIOR1
#define DUTY_SEEN_WRONG GPIOR2
#define DUTY_CONNECT() (TCCR0A |= _BV(COM0A1))
#define DUTY_DISCONNECT() (TCCR0A &= (uint8_t)~_BV(COM0A1))
#define DUTY_HIGH() (PORTD |= _BV(PORTD6))
#define DUTY_LOW() (PORTD &= (uint8_t)~_BV(PORTD6))
/* The level that the pin has, whatever drives it. */
#define DUTY_READ() ((PIND >> PIND6) & 1u)
/* The flag of the pin-change interrupt, which is never switched on: the chip sets it whenever the level of the pin changes, outputs
 * included. No other pin of port D may be in this mask. */
#define DUTY_WATCH() (PCMSK2 = _BV(PCINT22))
#define DUTY_MOVED() (PCIFR & _BV(PCIF2))
#define DUTY_MOVED_CLEAR() (PCIFR = _BV(PCIF2))

#endif
