package live

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"

	"golang.org/x/net/ipv4"
	"golang.org/x/net/ipv6"
)

// Address is where datagrams go to or come from.
type Address struct {
	*net.UDPAddr
	Interface *net.Interface // nil = what the routes say
}

// ResolveAddress reads HOST:PORT. HOST may be empty, a name, or an IPv4 or IPv6
// address of one host, of a multicast group, or of a broadcast. The interface may
// be empty.
func ResolveAddress(text, interfaceName string) (Address, error) {
	host, port, err := net.SplitHostPort(text)
	if err != nil {
		return Address{}, fmt.Errorf("found %q, expected HOST:PORT such as 127.0.0.1:%d or [::1]:%d", text, DefaultPort, DefaultPort)
	}
	if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
		return Address{}, fmt.Errorf("found the port %q, expected a number from 0 to 65535", port)
	}
	a := Address{}
	if interfaceName != "" {
		if a.Interface, err = net.InterfaceByName(interfaceName); err != nil {
			return Address{}, fmt.Errorf("%w %q on this host: there are %s", ErrNoInterface, interfaceName, interfaceNames())
		}
	}
	if a.UDPAddr, err = net.ResolveUDPAddr("udp", net.JoinHostPort(host, port)); err != nil {
		return Address{}, fmt.Errorf("cannot find the host %q: %w", host, lookup(err))
	}
	return a, nil
}

// DefaultPort is where a sender and a listener meet when nobody says where.
const DefaultPort = 47100

func lookup(err error) error {
	var dns *net.DNSError
	if errors.As(err, &dns) {
		return errors.New(dns.Err)
	}
	return err
}

func interfaceNames() string {
	all, err := net.Interfaces()
	if err != nil {
		return "none that this program may see"
	}
	var names []string
	for _, i := range all {
		names = append(names, i.Name)
	}
	return strings.Join(names, ", ")
}

// Loopback reports whether nothing sent there leaves this host.
func (a Address) Loopback() bool {
	return a.IP.IsLoopback() || a.Interface != nil && a.Interface.Flags&net.FlagLoopback != 0
}

// ErrNoInterface is in the error of an interface that the host does not have.
var ErrNoInterface = errors.New("no interface")

// Kind says in words what kind of address it is.
func (a Address) Kind() string {
	switch {
	case a.IP.IsMulticast():
		return "multicast"
	case a.IP.Equal(net.IPv4bcast):
		return "limited broadcast"
	default:
		return "unicast"
	}
}

// network is the name that the net package has for the address's family.
func (a Address) network() string {
	switch {
	case a.IP == nil:
		return "udp"
	case a.IP.To4() != nil:
		return "udp4"
	default:
		return "udp6"
	}
}

// ErrNoMulticast is in the error of an IPv6 group by way of an interface that
// carries none: the kernel would take the datagrams and deliver them to nobody.
var ErrNoMulticast = errors.New("the interface carries no IPv6 multicast")

// check finds out early what would fail without a word.
func (a Address) check() error {
	if a.IP.IsMulticast() && a.IP.To4() == nil && a.Interface != nil && a.Interface.Flags&net.FlagMulticast == 0 {
		return fmt.Errorf("%s by way of %s: %w", a, a.Interface.Name, ErrNoMulticast)
	}
	return nil
}

// bufferAsked is the buffer that sockets ask for, in bytes.
const bufferAsked = 4 << 20

// Dial opens a socket that sends to an address. To loopback it sends from there, to
// a group or a broadcast by way of the address's interface. The caller closes the
// connection.
func Dial(to Address) (net.PacketConn, *Output, error) {
	from := &net.UDPAddr{}
	if err := to.check(); err != nil {
		return nil, nil, err
	}
	switch {
	case to.IP == nil || to.IP.IsUnspecified():
		return nil, nil, errors.New("no host to send to")
	case to.IP.IsLoopback():
		from.IP = to.IP
		if to.IP.To4() != nil {
			from.IP = net.IPv4(127, 0, 0, 1) // not 127.255.255.255, the broadcast there
		}
	case to.Interface != nil && to.IP.To4() != nil:
		from.IP = firstIPv4(to.Interface)
	}
	conn, o, err := open(from, to)
	if err != nil {
		return nil, nil, fmt.Errorf("no socket for %s: %w", to, reason(err))
	}
	if err := aim(conn, to); err != nil {
		_ = conn.Close()
		return nil, nil, fmt.Errorf("%s by way of %s: %w", to, to.Interface.Name, reason(err))
	}
	o.Asked = bufferAsked
	if conn.SetWriteBuffer(bufferAsked) == nil {
		_, o.Buffer = buffers(conn)
	}
	return conn, o, nil
}

// open opens the socket. One host is connected to, since only then does the kernel
// tell that nobody listens there.
func open(from *net.UDPAddr, to Address) (*net.UDPConn, *Output, error) {
	if to.IP.IsMulticast() || to.IP.Equal(net.IPv4bcast) {
		conn, err := net.ListenUDP(to.network(), from)
		if err != nil {
			return nil, nil, err
		}
		return conn, ToConn(conn, to.UDPAddr), nil
	}
	conn, err := net.DialUDP(to.network(), from, to.UDPAddr)
	if err != nil {
		return nil, nil, err
	}
	return conn, &Output{Name: to.String(), Write: func(datagram []byte) error {
		_, err := conn.Write(datagram)
		return err
	}}, nil
}

// aim sets the interface by which datagrams to a group leave. They reach listeners
// on this host and go no further than one network.
func aim(conn net.PacketConn, to Address) error {
	if !to.IP.IsMulticast() || to.Interface == nil {
		return nil
	}
	if to.IP.To4() != nil {
		return ipv4.NewPacketConn(conn).SetMulticastInterface(to.Interface)
	}
	return ipv6.NewPacketConn(conn).SetMulticastInterface(to.Interface)
}

func firstIPv4(i *net.Interface) net.IP {
	addresses, err := i.Addrs()
	if err != nil {
		return nil
	}
	for _, a := range addresses {
		if n, ok := a.(*net.IPNet); ok && n.IP.To4() != nil {
			return n.IP
		}
	}
	return nil
}

// Socket is a socket that listens.
type Socket struct {
	*net.UDPConn
	Asked, Buffer int // bytes of the receive buffer; Buffer 0 = unknown
	key           socketKey
}

// Bind opens a socket that listens on an address, and joins the group where it is
// one. The caller closes it.
func Bind(on Address) (*Socket, error) {
	if err := on.check(); err != nil {
		return nil, err
	}
	var conn *net.UDPConn
	var err error
	if on.IP.IsMulticast() {
		conn, err = net.ListenMulticastUDP(on.network(), on.Interface, on.UDPAddr)
	} else {
		var config net.ListenConfig
		var c net.PacketConn
		if c, err = config.ListenPacket(context.Background(), on.network(), on.String()); err == nil {
			conn = c.(*net.UDPConn)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("cannot listen on %s: %w", on, reason(err))
	}
	s := &Socket{UDPConn: conn, Asked: bufferAsked}
	if conn.SetReadBuffer(bufferAsked) == nil {
		s.Buffer, _ = buffers(conn)
	}
	s.key = keyOf(conn)
	return s, nil
}

// Drops returns how many datagrams the kernel has thrown away because the socket's
// buffer was full, and false where it does not tell.
func (s *Socket) Drops() (uint64, bool) { return dropsOf(s.key) }
