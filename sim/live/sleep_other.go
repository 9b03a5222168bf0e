//go:build !linux

package live

import "time"

// fineSleep sleeps for a time.
func fineSleep(d time.Duration) { time.Sleep(d) }
