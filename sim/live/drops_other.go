//go:build !linux

package live

import "net"

// socketKey tells a socket among all of the host: not here.
type socketKey struct{}

func keyOf(*net.UDPConn) socketKey { return socketKey{} }

// dropsOf returns the kernel's drops of a socket: unknown here.
func dropsOf(socketKey) (uint64, bool) { return 0, false }
