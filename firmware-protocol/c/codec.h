/* One frame, and the way between it and the bytes of a piece. */
#ifndef CODEC_H
#define CODEC_H

#include "hingeclock_protocol.h"

#include <stddef.h>
#include <stdint.h>

typedef struct {
    uint32_t seq;
    uint32_t t_us;
    int16_t counts[6];
    float floats[6];
} sample_t;

typedef struct {
    uint8_t type;
    uint8_t major, minor;
    uint64_t glove_id, now_us;
    uint8_t hand;
    char text[3][HC_MAX_ANNOTATION_VALUE + 1];
    uint8_t node, role, flags;
    float rate_hz, gyro_dps, acc_g, bandwidth_hz, mounting[9];
    int16_t temperature;
    uint8_t encoding, count;
    sample_t samples[HC_MAX_COUNTS_READINGS];
    uint16_t millivolts;
    uint8_t percent, button, action, status, command;
    uint16_t id, missed;
    uint32_t t_us, first_seq;
    uint8_t raw[HC_MAX_PAYLOAD];
    size_t raw_len;
} frame_t;

/* CRC-16/IBM-3740. */
uint16_t crc16(const uint8_t *bytes, size_t len);

/* Reads a piece, delimiter included. Gives an error's word, or NULL. */
const char *decode_piece(const uint8_t *piece, size_t len, frame_t *f);

/* Writes a frame into HC_MAX_WIRE bytes. Gives the length, delimiter included. */
size_t encode_piece(const frame_t *f, uint8_t *piece);

#endif
