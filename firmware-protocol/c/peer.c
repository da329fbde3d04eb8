/*
 * A second implementation of the glove protocol, written from SPEC.md and the generated header alone.
 *
 *   peer VECTORS    reads a vectors file; of every piece in it, decodes the bytes, prints the fields, and
 *                   prints the bytes that its own encoder makes of them (or the error's word).
 */
#include "hingeclock_protocol.h"

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

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

static uint16_t crc16(const uint8_t *bytes, size_t len)
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

/* Gives an error's word, or NULL. */
static const char *decode_piece(const uint8_t *piece, size_t len, frame_t *f)
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

static size_t encode_piece(const frame_t *f, uint8_t *piece)
{
    writer_t w = {.len = 0};
    put(&w, f->type, 1);
    write_payload(&w, f);
    put(&w, crc16(w.bytes, w.len), 2);
    size_t len = cobs_encode(w.bytes, w.len, piece);
    piece[len] = HC_DELIMITER;
    return len + 1;
}

/* ---- printing ---- */

static void print_hex(const char *name, const uint8_t *bytes, size_t len)
{
    printf("%s =", name);
    for (size_t i = 0; i < len; i++)
        printf(" %02X", bytes[i]);
    printf("\n");
}

static void print_samples(const frame_t *f)
{
    printf("node = %u\nencoding = %u\n", f->node, f->encoding);
    for (int i = 0; i < f->count; i++) {
        const sample_t *s = &f->samples[i];
        printf("sample = %u %u", s->seq, s->t_us);
        for (int axis = 0; axis < 6; axis++) {
            if (f->encoding == HC_ENCODING_COUNTS)
                printf(" %d", s->counts[axis]);
            else
                printf(" %.9g", (double)s->floats[axis]);
        }
        printf("\n");
    }
}

static void print_node_info(const frame_t *f)
{
    printf("node = %u\nrole = %u\nrate_hz = %.9g\n", f->node, f->role, (double)f->rate_hz);
    printf("gyro_full_scale_dps = %.9g\nacc_full_scale_g = %.9g\n", (double)f->gyro_dps, (double)f->acc_g);
    if (f->flags & HC_NODE_FLAG_BANDWIDTH)
        printf("bandwidth_hz = %.9g\n", (double)f->bandwidth_hz);
    else
        printf("bandwidth_hz = none\n");
    if (f->flags & HC_NODE_FLAG_TEMPERATURE)
        printf("temperature_centi_c = %d\n", f->temperature);
    else
        printf("temperature_centi_c = none\n");
    printf("segment_from_sensor =");
    for (int i = 0; i < 9; i++)
        printf(" %.9g", (double)f->mounting[i]);
    printf("\nnow_us = %llu\n", (unsigned long long)f->now_us);
}

static void print_command(const frame_t *f)
{
    printf("id = %u\ncommand = %u", f->id, f->command);
    if (f->command == HC_COMMAND_SET_RATE)
        printf(" %u %.9g", f->node, (double)f->rate_hz);
    else if (f->command == HC_COMMAND_SET_RANGES)
        printf(" %u %.9g %.9g", f->node, (double)f->gyro_dps, (double)f->acc_g);
    else if (f->command == HC_COMMAND_REQUEST_MISSED)
        printf(" %u %u %u", f->node, f->first_seq, f->missed);
    printf("\n");
}

static void print_frame(const frame_t *f)
{
    printf("type = 0x%02X\n", f->type);
    switch (f->type) {
    case HC_TYPE_HELLO:
        printf("version = %u.%u\nglove_id = %llu\nnow_us = %llu\n", f->major, f->minor,
               (unsigned long long)f->glove_id, (unsigned long long)f->now_us);
        break;
    case HC_TYPE_DEVICE_INFO:
        if (f->hand == HC_PLAYER_UNKNOWN)
            printf("player_hand = none\n");
        else
            printf("player_hand = %u\n", f->hand);
        printf("serial = %s\nfirmware = %s\nhardware = %s\n", f->text[0], f->text[1], f->text[2]);
        break;
    case HC_TYPE_NODE_INFO:
        print_node_info(f);
        break;
    case HC_TYPE_SAMPLES:
        print_samples(f);
        break;
    case HC_TYPE_BATTERY:
        printf("node = %u\nmillivolts = %u\n", f->node, f->millivolts);
        if (f->flags & HC_BATTERY_FLAG_PERCENT)
            printf("percent = %u\n", f->percent);
        else
            printf("percent = none\n");
        break;
    case HC_TYPE_BUTTON:
        printf("node = %u\nbutton = %u\naction = %u\nt_us = %u\n", f->node, f->button, f->action, f->t_us);
        break;
    case HC_TYPE_ANNOTATION:
        printf("t_us = %u\nkind = %s\nvalue = %s\n", f->t_us, f->text[0], f->text[1]);
        break;
    case HC_TYPE_ACK:
        printf("command_id = %u\nstatus = %u\n", f->id, f->status);
        break;
    case HC_TYPE_HOST_HELLO:
        printf("version = %u.%u\n", f->major, f->minor);
        break;
    case HC_TYPE_COMMAND:
        print_command(f);
        break;
    default:
        print_hex("payload", f->raw, f->raw_len);
    }
}

static void answer(const char *hex)
{
    uint8_t piece[4096], again[HC_MAX_WIRE];
    size_t len = 0;
    unsigned value;
    int used;
    while (len < sizeof piece && sscanf(hex, " %2x%n", &value, &used) == 1) {
        piece[len++] = (uint8_t)value;
        hex += used;
    }
    frame_t f;
    const char *error = decode_piece(piece, len, &f);
    if (error) {
        print_hex("wire", piece, len);
        printf("error = %s\n", error);
    } else {
        print_hex("wire", again, encode_piece(&f, again));
        print_frame(&f);
    }
}

int main(int argc, char **argv)
{
    static char line[16384];
    FILE *vectors = argc == 2 ? fopen(argv[1], "r") : NULL;
    if (!vectors) {
        fprintf(stderr, "expected the path of a vectors file, found none that can be read\n");
        return 2;
    }
    if (crc16((const uint8_t *)"123456789", 9) != HC_CRC_CHECK) {
        fprintf(stderr, "the check value of 123456789 is wrong\n");
        return 1;
    }
    while (fgets(line, sizeof line, vectors)) {
        if (line[0] == '[')
            printf("\n%s", line);
        else if (strncmp(line, "wire = ", 7) == 0)
            answer(line + 7);
    }
    fclose(vectors);
    return 0;
}
