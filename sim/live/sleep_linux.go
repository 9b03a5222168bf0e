package live

import (
	"syscall"
	"time"
)

// fineSleep sleeps for a time or less, as closely as the kernel can.
func fineSleep(d time.Duration) {
	span := syscall.NsecToTimespec(int64(d))
	_ = syscall.Nanosleep(&span, nil) // a signal ends it early: the caller looks at the clock
}
