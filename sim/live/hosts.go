package live

import (
	"net"
	"net/netip"
)

// senderKey tells senders apart.
type senderKey struct {
	address netip.AddrPort
	other   string
}

func keyOfAddr(a net.Addr) senderKey {
	if u, ok := a.(*net.UDPAddr); ok {
		return senderKey{address: u.AddrPort()}
	}
	return senderKey{other: a.String()}
}

// SameHost returns a function that reports whether an address is one of this host.
func SameHost() func(net.Addr) bool {
	own := map[netip.Addr]bool{}
	if all, err := net.InterfaceAddrs(); err == nil {
		for _, a := range all {
			if n, ok := a.(*net.IPNet); ok {
				if ip, ok := netip.AddrFromSlice(n.IP); ok {
					own[ip.Unmap()] = true
				}
			}
		}
	}
	return func(a net.Addr) bool {
		u, ok := a.(*net.UDPAddr)
		if !ok {
			return false
		}
		ip := u.AddrPort().Addr().Unmap().WithZone("")
		return ip.IsLoopback() || own[ip]
	}
}
