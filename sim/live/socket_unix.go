//go:build unix

package live

import (
	"net"
	"runtime"
	"syscall"
)

// buffers returns the bytes that a socket's buffers hold for the program's use; 0 =
// unknown.
func buffers(conn *net.UDPConn) (read, write int) {
	raw, err := conn.SyscallConn()
	if err != nil {
		return 0, 0
	}
	get := func(fd uintptr, option int) int {
		n, err := syscall.GetsockoptInt(int(fd), syscall.SOL_SOCKET, option)
		if err != nil {
			return 0
		}
		if runtime.GOOS == "linux" {
			n /= 2 // it doubles what was asked for, for its own needs: socket(7)
		}
		return n
	}
	_ = raw.Control(func(fd uintptr) { // on an error both stay unknown
		read, write = get(fd, syscall.SO_RCVBUF), get(fd, syscall.SO_SNDBUF)
	})
	return read, write
}
