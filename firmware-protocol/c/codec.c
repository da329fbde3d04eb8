/* A second implementation of the glove protocol, written from SPEC.md and the generated header alone. */
#include "codec.h"

#include <stdbool.h>
#include <string.h>

uint16_t crc16(const uint8_t *bytes, size_t len)
{
    uint16_t crc = HC_CRC_INIT;
    for (size_t i = 0; i < len; i++) {
        crc ^= (uint16_t)(bytes[i] << 8);
        for (int bit = 0; bit < 8; bit++)
            crc = (crc & 0x8000) ? (uint16_t)((crc << 1) ^ HC_CRC_POLY) : (uint16_t)(crc << 1);
    }
    return crc ^ HC_CRC_XOROUT;
}

/* ---- byte stuffing ---- */

static size_t cobs_encode(const uint8_t *in, size_t len, uint8_t *out)
{
    size_t code_at = 0, put = 1;
    uint8_t code = 1;
    for (size_t i = 0; i < len; i++) {
        if (in[i] != 0) {
            out[put++] = in[i];
            code++;
        }
        /* A full block needs no end of its own, unless more follows. */
        if (in[i] == 0 || (code == 0xFF && i + 1 < len)) {
            out[code_at] = code;
            code_at = put++;
            code = 1;
        }
    }
    out[code_at] = code;
    return put;
}

/* Gives -1 when the bytes cannot have come from an encoder, or do not fit. */
static long cobs_decode(const uint8_t *in, size_t len, uint8_t *out, size_t room)
{
    size_t at = 0, put = 0;
    while (at < len) {
        uint8_t code = in[at++];
        if (code == 0 || at + code - 1 > len)
            return -1;
        for (uint8_t i = 1; i < code; i++) {
            if (in[at] == 0 || put >= room)
                return -1;
            out[put++] = in[at++];
        }
        if (code != 0xFF && at < len) {
            if (put >= room)
                return -1;
            out[put++] = 0;
        }
    }
    return (long)put;
}

/* ---- little-endian fields: one cursor for reading, one for writing ---- */

typedef struct {
    const uint8_t *bytes;
    size_t len, at;
    const char *error;
} reader_t;

typedef struct {
    uint8_t bytes[HC_MAX_DECODED];
    size_t len;
} writer_t;

static uint64_t get(reader_t *r, size_t size)
{
    uint64_t value = 0;
    if (r->error)
        return 0;
    if (r->at + size > r->len) {
        r->error = "length";
        return 0;
    }
    for (size_t i = 0; i < size; i++)
        value |= (uint64_t)r->bytes[r->at + i] << (8 * i);
    r->at += size;
    return value;
}

static void put(writer_t *w, uint64_t value, size_t size)
{
    for (size_t i = 0; i < size; i++)
        w->bytes[w->len++] = (uint8_t)(value >> (8 * i));
}

static void fail(reader_t *r, const char *error)
{
    if (!r->error)
        r->error = error;
}

static float get_float(reader_t *r)
{
    uint32_t bits = (uint32_t)get(r, 4);
    float value;
    memcpy(&value, &bits, 4);
    return value;
}

static void put_float(writer_t *w, float value)
{
    uint32_t bits;
    memcpy(&bits, &value, 4);
    put(w, bits, 4);
}

static bool is_finite_bits(float value)
{
    uint32_t bits;
    memcpy(&bits, &value, 4);
    return (bits & 0x7F800000u) != 0x7F800000u;
}

static float get_finite(reader_t *r)
{
    float value = get_float(r);
    if (!r->error && !is_finite_bits(value))
        fail(r, "value");
    return value;
}

static float get_positive(reader_t *r)
{
    float value = get_float(r);
    if (!r->error && !(is_finite_bits(value) && value > 0))
        fail(r, "value");
    return value;
}

static bool is_utf8(const uint8_t *s, size_t len)
{
    for (size_t i = 0; i < len;) {
        uint8_t b = s[i];
        size_t more = b < 0x80 ? 0 : (b >= 0xC2 && b < 0xE0) ? 1 : (b >= 0xE0 && b < 0xF0) ? 2
                    : (b >= 0xF0 && b < 0xF5) ? 3 : 9;
        if (more == 9 || i + more >= len)
            return false;
        for (size_t j = 1; j <= more; j++)
            if ((s[i + j] & 0xC0) != 0x80)
                return false;
        /* Over-long forms, surrogates, and what lies beyond U+10FFFF. */
        if ((b == 0xE0 && s[i + 1] < 0xA0) || (b == 0xED && s[i + 1] > 0x9F)
            || (b == 0xF0 && s[i + 1] < 0x90) || (b == 0xF4 && s[i + 1] > 0x8F))
            return false;
        i += more + 1;
    }
    return true;
}

static void get_text(reader_t *r, char *text, size_t limit)
{
    size_t len = (size_t)get(r, 1);
    text[0] = 0;
    if (r->error)
        return;
    if (len > limit) {
        fail(r, "value");
    } else if (r->at + len > r->len) {
        fail(r, "length");
    } else if (!is_utf8(r->bytes + r->at, len)) {
        fail(r, "text");
    } else {
        memcpy(text, r->bytes + r->at, len);
        text[len] = 0;
        r->at += len;
    }
}

static void put_text(writer_t *w, const char *text)
{
    size_t len = strlen(text);
    put(w, len, 1);
    memcpy(w->bytes + w->len, text, len);
    w->len += len;
}

/* ---- payloads ---- */

static void read_samples(reader_t *r, frame_t *f)
{
    if (r->len < HC_SAMPLES_HEADER_SIZE) {
        fail(r, "length");
        return;
    }
    f->node = (uint8_t)get(r, 1);
    f->encoding = (uint8_t)get(r, 1);
    f->count = (uint8_t)get(r, 1);
    uint32_t seq = (uint32_t)get(r, 4);
    uint32_t t_us = (uint32_t)get(r, 4);
    bool counts = f->encoding == HC_ENCODING_COUNTS;
    size_t most = counts ? HC_MAX_COUNTS_READINGS : HC_MAX_FLOATS_READINGS;
    if (f->encoding > HC_ENCODING_FLOATS || f->count == 0 || f->count > most) {
        fail(r, "value");
        return;
    }
    for (int i = 0; i < f->count; i++) {
        sample_t *s = &f->samples[i];
        t_us += i > 0 ? (uint32_t)get(r, 2) : 0;
        s->seq = seq + (uint32_t)i;
        s->t_us = t_us;
        for (int axis = 0; axis < 6; axis++) {
            if (counts)
                s->counts[axis] = (int16_t)get(r, 2);
            else
                s->floats[axis] = get_float(r);
        }
    }
}

static void write_samples(writer_t *w, const frame_t *f)
{
    put(w, f->node, 1);
    put(w, f->encoding, 1);
    put(w, f->count, 1);
    put(w, f->samples[0].seq, 4);
    put(w, f->samples[0].t_us, 4);
    for (int i = 0; i < f->count; i++) {
        const sample_t *s = &f->samples[i];
        if (i > 0)
            put(w, s->t_us - f->samples[i - 1].t_us, 2);
        for (int axis = 0; axis < 6; axis++) {
            if (f->encoding == HC_ENCODING_COUNTS)
                put(w, (uint16_t)s->counts[axis], 2);
            else
                put_float(w, s->floats[axis]);
        }
    }
}

static void read_node_info(reader_t *r, frame_t *f)
{
    f->node = (uint8_t)get(r, 1);
    f->role = (uint8_t)get(r, 1);
    if (f->role > HC_ROLE_BELT)
        fail(r, "value");
    f->flags = (uint8_t)get(r, 1);
    if (f->flags & ~(HC_NODE_FLAG_BANDWIDTH | HC_NODE_FLAG_TEMPERATURE))
        fail(r, "value");
    f->rate_hz = get_positive(r);
    f->gyro_dps = get_positive(r);
    f->acc_g = get_positive(r);
    if (f->flags & HC_NODE_FLAG_BANDWIDTH)
        f->bandwidth_hz = get_positive(r);
    else if (get(r, 4) != 0)
        fail(r, "value");
    f->temperature = (int16_t)get(r, 2);
    if (!(f->flags & HC_NODE_FLAG_TEMPERATURE) && f->temperature != 0)
        fail(r, "value");
    for (int i = 0; i < 9; i++)
        f->mounting[i] = get_finite(r);
    f->now_us = get(r, 8);
}

static void write_node_info(writer_t *w, const frame_t *f)
{
    put(w, f->node, 1);
    put(w, f->role, 1);
    put(w, f->flags, 1);
    put_float(w, f->rate_hz);
    put_float(w, f->gyro_dps);
    put_float(w, f->acc_g);
    if (f->flags & HC_NODE_FLAG_BANDWIDTH)
        put_float(w, f->bandwidth_hz);
    else
        put(w, 0, 4);
    put(w, (uint16_t)f->temperature, 2);
    for (int i = 0; i < 9; i++)
        put_float(w, f->mounting[i]);
    put(w, f->now_us, 8);
}

static void read_command(reader_t *r, frame_t *f)
{
    f->id = (uint16_t)get(r, 2);
    f->command = (uint8_t)get(r, 1);
    switch (f->command) {
    case HC_COMMAND_START:
    case HC_COMMAND_STOP:
    case HC_COMMAND_IDENTIFY:
        break;
    case HC_COMMAND_SET_RATE:
        f->node = (uint8_t)get(r, 1);
        f->rate_hz = get_positive(r);
        break;
    case HC_COMMAND_SET_RANGES:
        f->node = (uint8_t)get(r, 1);
        f->gyro_dps = get_positive(r);
        f->acc_g = get_positive(r);
        break;
    case HC_COMMAND_REQUEST_MISSED:
        f->node = (uint8_t)get(r, 1);
        f->first_seq = (uint32_t)get(r, 4);
        f->missed = (uint16_t)get(r, 2);
        break;
    default:
        r->at = r->len;
    }
}

static void write_command(writer_t *w, const frame_t *f)
{
    put(w, f->id, 2);
    put(w, f->command, 1);
    if (f->command == HC_COMMAND_SET_RATE) {
        put(w, f->node, 1);
        put_float(w, f->rate_hz);
    } else if (f->command == HC_COMMAND_SET_RANGES) {
        put(w, f->node, 1);
        put_float(w, f->gyro_dps);
        put_float(w, f->acc_g);
    } else if (f->command == HC_COMMAND_REQUEST_MISSED) {
        put(w, f->node, 1);
        put(w, f->first_seq, 4);
        put(w, f->missed, 2);
    }
}

static void read_payload(reader_t *r, frame_t *f)
{
    switch (f->type) {
    case HC_TYPE_HELLO:
        f->major = (uint8_t)get(r, 1);
        f->minor = (uint8_t)get(r, 1);
        f->glove_id = get(r, 8);
        f->now_us = get(r, 8);
        r->at = r->len; /* later versions may append */
        break;
    case HC_TYPE_DEVICE_INFO:
        f->hand = (uint8_t)get(r, 1);
        if (f->hand > HC_PLAYER_LEFT)
            fail(r, "value");
        for (int i = 0; i < 3; i++)
            get_text(r, f->text[i], HC_MAX_INFO_TEXT);
        break;
    case HC_TYPE_NODE_INFO:
        read_node_info(r, f);
        break;
    case HC_TYPE_SAMPLES:
        read_samples(r, f);
        break;
    case HC_TYPE_BATTERY:
        f->node = (uint8_t)get(r, 1);
        f->flags = (uint8_t)get(r, 1);
        f->millivolts = (uint16_t)get(r, 2);
        f->percent = (uint8_t)get(r, 1);
        if (f->flags > HC_BATTERY_FLAG_PERCENT || f->percent > (f->flags ? 100 : 0))
            fail(r, "value");
        break;
    case HC_TYPE_BUTTON:
        f->node = (uint8_t)get(r, 1);
        f->button = (uint8_t)get(r, 1);
        f->action = (uint8_t)get(r, 1);
        if (f->action > HC_BUTTON_LONG_PRESS)
            fail(r, "value");
        f->t_us = (uint32_t)get(r, 4);
        break;
    case HC_TYPE_ANNOTATION:
        f->t_us = (uint32_t)get(r, 4);
        get_text(r, f->text[0], HC_MAX_ANNOTATION_KIND);
        get_text(r, f->text[1], HC_MAX_ANNOTATION_VALUE);
        break;
    case HC_TYPE_ACK:
        f->id = (uint16_t)get(r, 2);
        f->status = (uint8_t)get(r, 1);
        if (f->status > HC_ACK_VERSION)
            fail(r, "value");
        break;
    case HC_TYPE_HOST_HELLO:
        f->major = (uint8_t)get(r, 1);
        f->minor = (uint8_t)get(r, 1);
        r->at = r->len;
        break;
    case HC_TYPE_COMMAND:
        read_command(r, f);
        break;
    default:
        memcpy(f->raw, r->bytes, r->len);
        f->raw_len = r->len;
        r->at = r->len;
    }
    if (!r->error && r->at != r->len)
        fail(r, "length");
}

static void write_payload(writer_t *w, const frame_t *f)
{
    switch (f->type) {
    case HC_TYPE_HELLO:
        put(w, f->major, 1);
        put(w, f->minor, 1);
        put(w, f->glove_id, 8);
        put(w, f->now_us, 8);
        break;
    case HC_TYPE_DEVICE_INFO:
        put(w, f->hand, 1);
        for (int i = 0; i < 3; i++)
            put_text(w, f->text[i]);
        break;
    case HC_TYPE_NODE_INFO:
        write_node_info(w, f);
        break;
    case HC_TYPE_SAMPLES:
        write_samples(w, f);
        break;
    case HC_TYPE_BATTERY:
        put(w, f->node, 1);
        put(w, f->flags, 1);
        put(w, f->millivolts, 2);
        put(w, f->percent, 1);
        break;
    case HC_TYPE_BUTTON:
        put(w, f->node, 1);
        put(w, f->button, 1);
        put(w, f->action, 1);
        put(w, f->t_us, 4);
        break;
    case HC_TYPE_ANNOTATION:
        put(w, f->t_us, 4);
        put_text(w, f->text[0]);
        put_text(w, f->text[1]);
        break;
    case HC_TYPE_ACK:
        put(w, f->id, 2);
        put(w, f->status, 1);
        break;
    case HC_TYPE_HOST_HELLO:
        put(w, f->major, 1);
        put(w, f->minor, 1);
        break;
    case HC_TYPE_COMMAND:
        write_command(w, f);
        break;
    default:
        memcpy(w->bytes + w->len, f->raw, f->raw_len);
        w->len += f->raw_len;
    }
}

/* ---- whole pieces ---- */

const char *decode_piece(const uint8_t *piece, size_t len, frame_t *f)
{
    uint8_t plain[HC_MAX_DECODED];
    if (len == 0 || piece[len - 1] != HC_DELIMITER)
        return "unterminated";
    if (len == 1)
        return "empty";
    if (len > HC_MAX_WIRE)
        return "too-long";
    long size = cobs_decode(piece, len - 1, plain, sizeof plain);
    if (size < 0)
        return "stuffing";
    if (size < 1 + HC_CRC_SIZE)
        return "too-short";
    size_t body = (size_t)size - HC_CRC_SIZE;
    if (crc16(plain, body) != (plain[body] | plain[body + 1] << 8))
        return "crc";
    memset(f, 0, sizeof *f);
    f->type = plain[0];
    reader_t r = {plain + 1, body - 1, 0, NULL};
    read_payload(&r, f);
    return r.error;
}

size_t encode_piece(const frame_t *f, uint8_t *piece)
{
    writer_t w = {.len = 0};
    put(&w, f->type, 1);
    write_payload(&w, f);
    put(&w, crc16(w.bytes, w.len), 2);
    size_t len = cobs_encode(w.bytes, w.len, piece);
    piece[len] = HC_DELIMITER;
    return len + 1;
}
