package live

import (
	"net"
	"os"
	"sync"
	"time"
)

// memoryConn is a packet connection inside the program: what one side writes the
// other side reads. It works on the fake clock of testing/synctest.
type memoryConn struct {
	name    memoryAddr
	arrived chan memoryPacket
	mu      sync.Mutex
	expired chan struct{} // closed when the read deadline has passed
	wrote   func(b []byte)
	drop    func() bool
}

type memoryPacket struct {
	data []byte
	from net.Addr
}

type memoryAddr string

func (a memoryAddr) Network() string { return "memory" }
func (a memoryAddr) String() string  { return string(a) }

func newMemoryConn(name string) *memoryConn {
	return &memoryConn{name: memoryAddr(name), arrived: make(chan memoryPacket, 1024), expired: make(chan struct{})}
}

func (c *memoryConn) WriteTo(b []byte, to net.Addr) (int, error) {
	if c.wrote != nil {
		c.wrote(b)
	}
	if other, ok := to.(*memoryConn); ok && (c.drop == nil || !c.drop()) {
		select {
		case other.arrived <- memoryPacket{append([]byte(nil), b...), c.name}:
		default: // as a full socket buffer
		}
	}
	return len(b), nil
}

func (c *memoryConn) ReadFrom(b []byte) (int, net.Addr, error) {
	c.mu.Lock()
	expired := c.expired
	c.mu.Unlock()
	select {
	case p := <-c.arrived:
		return copy(b, p.data), p.from, nil
	case <-expired:
		return 0, nil, os.ErrDeadlineExceeded
	}
}

// SetReadDeadline knows the past and never.
func (c *memoryConn) SetReadDeadline(t time.Time) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	select {
	case <-c.expired:
		c.expired = make(chan struct{})
	default:
	}
	if !t.IsZero() {
		close(c.expired)
	}
	return nil
}

func (c *memoryConn) Network() string                  { return "memory" }
func (c *memoryConn) String() string                   { return string(c.name) }
func (c *memoryConn) LocalAddr() net.Addr              { return c.name }
func (c *memoryConn) Close() error                     { return nil }
func (c *memoryConn) SetDeadline(time.Time) error      { return nil }
func (c *memoryConn) SetWriteDeadline(time.Time) error { return nil }
