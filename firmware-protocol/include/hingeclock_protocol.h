/* Generated from src/constants.rs by tests/vectors.rs. Do not edit. */

#ifndef HINGECLOCK_PROTOCOL_H
#define HINGECLOCK_PROTOCOL_H

/*
 Major version of the protocol: both ends must have the same.
 */
#define HC_VERSION_MAJOR 1

/*
 Minor version of the protocol: the lower of the two wins.
 */
#define HC_VERSION_MINOR 0

/*
 The byte that ends every piece and occurs nowhere else on the wire.
 */
#define HC_DELIMITER 0

/*
 Longest body: type byte and payload, without the check value.
 */
#define HC_MAX_BODY 512

/*
 Longest payload.
 */
#define HC_MAX_PAYLOAD 511

/*
 Bytes of the check value.
 */
#define HC_CRC_SIZE 2

/*
 Longest body with its check value.
 */
#define HC_MAX_DECODED 514

/*
 Longest piece on the wire: the decoded bytes, three stuffing bytes and the delimiter.
 */
#define HC_MAX_WIRE 518

/*
 CRC-16/IBM-3740: the polynomial, highest power first.
 */
#define HC_CRC_POLY 4129

/*
 CRC-16/IBM-3740: the start value.
 */
#define HC_CRC_INIT 65535

/*
 CRC-16/IBM-3740: what the result is combined with.
 */
#define HC_CRC_XOROUT 0

/*
 CRC-16/IBM-3740: the value for the nine characters `123456789`.
 */
#define HC_CRC_CHECK 10673

/*
 Glove to host: who speaks, which version, what time it is there.
 */
#define HC_TYPE_HELLO 1

/*
 Glove to host: serial number, firmware, hardware, the player's hand.
 */
#define HC_TYPE_DEVICE_INFO 2

/*
 Glove to host: one node's role, rate, ranges and mounting.
 */
#define HC_TYPE_NODE_INFO 3

/*
 Glove to host: a batch of readings of one node.
 */
#define HC_TYPE_SAMPLES 4

/*
 Glove to host: the state of one node's battery.
 */
#define HC_TYPE_BATTERY 5

/*
 Glove to host: a button was used.
 */
#define HC_TYPE_BUTTON 6

/*
 Glove to host: something said beside the samples.
 */
#define HC_TYPE_ANNOTATION 7

/*
 Glove to host: the answer to a command.
 */
#define HC_TYPE_ACK 8

/*
 Host to glove: which version the host speaks.
 */
#define HC_TYPE_HOST_HELLO 128

/*
 Host to glove: do this.
 */
#define HC_TYPE_COMMAND 129

/*
 Role: on the back of the lead hand.
 */
#define HC_ROLE_HAND 0

/*
 Role: on the cuff above the lead wrist.
 */
#define HC_ROLE_FOREARM 1

/*
 Role: on the breastbone.
 */
#define HC_ROLE_CHEST 2

/*
 Role: on the belt, at the back.
 */
#define HC_ROLE_BELT 3

/*
 Player's hand: not told.
 */
#define HC_PLAYER_UNKNOWN 0

/*
 Player's hand: right-handed, the left arm leads.
 */
#define HC_PLAYER_RIGHT 1

/*
 Player's hand: left-handed, the right arm leads.
 */
#define HC_PLAYER_LEFT 2

/*
 NodeInfo flag: the bandwidth is known.
 */
#define HC_NODE_FLAG_BANDWIDTH 1

/*
 NodeInfo flag: the temperature is known.
 */
#define HC_NODE_FLAG_TEMPERATURE 2

/*
 Battery flag: the percentage is known.
 */
#define HC_BATTERY_FLAG_PERCENT 1

/*
 Samples: six 16-bit counts a reading.
 */
#define HC_ENCODING_COUNTS 0

/*
 Samples: six 32-bit floats a reading.
 */
#define HC_ENCODING_FLOATS 1

/*
 Counts at full scale.
 */
#define HC_COUNTS_PER_FULL_SCALE 32768

/*
 Bytes of a Samples payload before its first reading.
 */
#define HC_SAMPLES_HEADER_SIZE 11

/*
 Bytes of a time step between two readings.
 */
#define HC_SAMPLES_STEP_SIZE 2

/*
 Bytes of a reading in counts.
 */
#define HC_READING_COUNTS_SIZE 12

/*
 Bytes of a reading in floats.
 */
#define HC_READING_FLOATS_SIZE 24

/*
 Most readings in counts that one frame holds.
 */
#define HC_MAX_COUNTS_READINGS 35

/*
 Most readings in floats that one frame holds.
 */
#define HC_MAX_FLOATS_READINGS 19

/*
 Samples payload: where the node index stands.
 */
#define HC_SAMPLES_AT_NODE 0

/*
 Samples payload: where the encoding stands.
 */
#define HC_SAMPLES_AT_ENCODING 1

/*
 Samples payload: where the number of readings stands.
 */
#define HC_SAMPLES_AT_COUNT 2

/*
 Samples payload: where the first sequence number stands.
 */
#define HC_SAMPLES_AT_FIRST_SEQ 3

/*
 Samples payload: where the first time stands.
 */
#define HC_SAMPLES_AT_FIRST_T 7

/*
 Payload size of a Hello in version 1.0; later ones may be longer.
 */
#define HC_HELLO_SIZE 18

/*
 Payload size of a NodeInfo.
 */
#define HC_NODE_INFO_SIZE 65

/*
 Payload size of a Battery frame.
 */
#define HC_BATTERY_SIZE 5

/*
 Payload size of a Button frame.
 */
#define HC_BUTTON_SIZE 7

/*
 Payload size of an Ack.
 */
#define HC_ACK_SIZE 3

/*
 Payload size of a HostHello in version 1.0; later ones may be longer.
 */
#define HC_HOST_HELLO_SIZE 2

/*
 Longest serial, firmware or hardware text, bytes of UTF-8.
 */
#define HC_MAX_INFO_TEXT 32

/*
 Longest kind of an annotation, bytes of UTF-8.
 */
#define HC_MAX_ANNOTATION_KIND 32

/*
 Longest value of an annotation, bytes of UTF-8.
 */
#define HC_MAX_ANNOTATION_VALUE 128

/*
 Button action: pressed.
 */
#define HC_BUTTON_PRESS 0

/*
 Button action: let go.
 */
#define HC_BUTTON_RELEASE 1

/*
 Button action: held for a second.
 */
#define HC_BUTTON_LONG_PRESS 2

/*
 Ack status: done.
 */
#define HC_ACK_DONE 0

/*
 Ack status: this glove does not know the command.
 */
#define HC_ACK_UNKNOWN_COMMAND 1

/*
 Ack status: an argument is out of range.
 */
#define HC_ACK_BAD_ARGUMENT 2

/*
 Ack status: the samples asked for are no longer kept.
 */
#define HC_ACK_NOT_KEPT 3

/*
 Ack status: not now.
 */
#define HC_ACK_BUSY 4

/*
 Ack status: no common version was agreed.
 */
#define HC_ACK_VERSION 5

/*
 Command: send samples.
 */
#define HC_COMMAND_START 1

/*
 Command: send no samples.
 */
#define HC_COMMAND_STOP 2

/*
 Command: take samples at this rate.
 */
#define HC_COMMAND_SET_RATE 3

/*
 Command: use these full scales.
 */
#define HC_COMMAND_SET_RANGES 4

/*
 Command: show the player which glove this is.
 */
#define HC_COMMAND_IDENTIFY 5

/*
 Command: send these samples again.
 */
#define HC_COMMAND_REQUEST_MISSED 6

/*
 BLE: the glove's service, upper half of its 128-bit number.
 */
#define HC_BLE_SERVICE_HIGH 5046034592728632781

/*
 BLE: the glove's service, lower half.
 */
#define HC_BLE_SERVICE_LOW 12763871571040114466ull

/*
 BLE: the characteristic for bytes from the glove, upper half.
 */
#define HC_BLE_FROM_GLOVE_HIGH 17947705984865618756ull

/*
 BLE: the characteristic for bytes from the glove, lower half.
 */
#define HC_BLE_FROM_GLOVE_LOW 12064848132532887514ull

/*
 BLE: the characteristic for bytes to the glove, upper half.
 */
#define HC_BLE_TO_GLOVE_HIGH 16239470947896740872ull

/*
 BLE: the characteristic for bytes to the glove, lower half.
 */
#define HC_BLE_TO_GLOVE_LOW 11354798466514612654ull

#endif  /* HINGECLOCK_PROTOCOL_H */
