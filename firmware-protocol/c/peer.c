/*
 *   peer VECTORS    reads a vectors file; of every piece in it, decodes the bytes, prints the fields, and
 *                   prints the bytes that the codec's own encoder makes of them (or the error's word).
 */
#include "codec.h"

#include <stdio.h>
#include <string.h>

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
