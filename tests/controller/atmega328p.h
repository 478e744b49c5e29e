/* Addresses and bits of the ATmega328P that the bench looks at, as they stand in the register summary of its data sheet.
 *
 * Owns numbers only. The compiler's own header for the chip cannot be used on the computer, since it makes pointers of
 * them. Addresses are those of the data space. */
#ifndef ATMEGA328P_H
#define ATMEGA328P_H

#define CLOCK_HZ 16000000u
#define CYCLES_PER_US 16u
#define RAM_START 0x100u

enum {
    PINB = 0x23, DDRB = 0x24, PORTB = 0x25,
    PINC = 0x26, DDRC = 0x27, PORTC = 0x28,
    PIND = 0x29, DDRD = 0x2A, PORTD = 0x2B,
    TIFR0 = 0x35, TIFR1 = 0x36, TIFR2 = 0x37, PCIFR = 0x3B, EIFR = 0x3C, EIMSK = 0x3D,
    TCCR0A = 0x44, OCR0A = 0x47, OCR0B = 0x48, MCUSR = 0x54, WDTCSR = 0x60, PCICR = 0x68, PCMSK0 = 0x6B,
    TIMSK0 = 0x6E, TIMSK1 = 0x6F, TIMSK2 = 0x70,
    ADCL = 0x78, ADCH = 0x79, ADCSRA = 0x7A, ADCSRB = 0x7B, ADMUX = 0x7C,
    TCCR1A = 0x80, TCCR1C = 0x82, TCCR2A = 0xB0, OCR2A = 0xB3, OCR2B = 0xB4,
    UCSR0A = 0xC0, UCSR0B = 0xC1, UCSR0C = 0xC2, UBRR0L = 0xC4, UBRR0H = 0xC5, UDR0 = 0xC6,
};

/* MCUSR */
enum { PORF = 1 << 0, EXTRF = 1 << 1, BORF = 1 << 2, WDRF = 1 << 3 };
/* WDTCSR */
enum { WDE = 1 << 3, WDCE = 1 << 4 };
/* UCSR0A: bits 7 to 0 */
enum { RXC = 1 << 7, TXC = 1 << 6, UDRE = 1 << 5, DOR = 1 << 3, U2X = 1 << 1, MPCM = 1 << 0 };
/* UCSR0B; the last three as numbers of bits */
enum { RXEN = 1 << 4, TXEN = 1 << 3, RXCIE_BIT = 7, TXCIE_BIT = 6, UDRIE_BIT = 5 };
/* ADCSRA */
enum { ADEN = 1 << 7, ADSC = 1 << 6, ADATE = 1 << 5, ADIF = 1 << 4, ADIE_BIT = 3, ADIF_BIT = 4 };
/* ADMUX */
enum { ADLAR = 1 << 5 };
/* TCCR1C */
enum { FOC1A = 1 << 7, FOC1B = 1 << 6 };
/* Numbers of vectors, counted from 0 (reset). */
enum { VECTOR_TIMER2_OVF = 9, VECTOR_TIMER0_OVF = 16 };
enum { VECTOR_USART_RX = 18, VECTOR_USART_UDRE = 19, VECTOR_USART_TX = 20, VECTOR_ADC = 21 };

#endif
