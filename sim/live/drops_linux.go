package live

import (
	"bufio"
	"net"
	"os"
	"strconv"
	"strings"
	"syscall"
)

// socketKey tells a socket among all of the host: its inode.
type socketKey uint64

func keyOf(conn *net.UDPConn) (key socketKey) {
	raw, err := conn.SyscallConn()
	if err != nil {
		return 0
	}
	_ = raw.Control(func(fd uintptr) { // on an error the key stays unknown
		var s syscall.Stat_t
		if syscall.Fstat(int(fd), &s) == nil {
			key = socketKey(s.Ino)
		}
	})
	return key
}

// dropsOf reads the kernel's table of UDP sockets: one a line under a head, the
// inode in column 10 and the drops in column 13 (proc(5), /proc/net/udp).
func dropsOf(key socketKey) (uint64, bool) {
	if key == 0 {
		return 0, false
	}
	for _, table := range [...]string{"/proc/net/udp", "/proc/net/udp6"} {
		if n, ok := dropsIn(table, strconv.FormatUint(uint64(key), 10)); ok {
			return n, true
		}
	}
	return 0, false
}

func dropsIn(table, inode string) (uint64, bool) {
	file, err := os.Open(table)
	if err != nil {
		return 0, false
	}
	defer file.Close()
	for lines := bufio.NewScanner(file); lines.Scan(); {
		columns := strings.Fields(lines.Text())
		if len(columns) == 13 && columns[9] == inode {
			n, err := strconv.ParseUint(columns[12], 10, 64)
			return n, err == nil
		}
	}
	return 0, false
}
