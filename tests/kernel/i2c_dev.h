/* What library and chips say to each other over the socket; tests/kernel/emulated.py unpacks the same. */
#include <stdint.h>

/* what: `o`pen bus number, `c`lose it, `t`ransfer number of messages, SM`b`us call, `s`leep, `f`unctions, `w`ait of the controller
 * in 10 ms, `r`etries, set `a`ddress */
struct question {
  char what;
  char unused[3];
  uint32_t length;
  int64_t number;
};

/* error: 0 or a number of errno. seconds: how long it took on the wire. */
struct answer {
  int32_t error;
  uint32_t length;
  double seconds;
};

struct message {
  uint16_t address, flags, length;
};

struct smbus_call {
  uint8_t read_write, command;
  uint16_t address;
  uint32_t size;
  uint8_t data[34];
};

/* Seconds passed on the wire, in which this process had to wait; no real time if waits are the wire's. */
void bus_time_passed(double seconds);

/* Let the wire of the device that this thread used last pass so many seconds; returns 0 if there is none. */
int bus_sleep(double seconds);
