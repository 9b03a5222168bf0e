package live

import (
	"fmt"
	"net"
	"time"
)

// LogHead is the first line of a log.
const LogHead = "t_us,seq,len,rssi_dbm,q_depth,q_drops,bridge_t_us\n"

// log writes a line of the log. There is no radio here to tell a level; queue and
// drops are those of the first display.
func (l *Listener) log(at time.Duration, datagram []byte) {
	if l.config.Log == nil || l.logged != nil {
		return
	}
	d := &l.datagram
	depth, drops := "", ""
	if l.probe != nil {
		n, lost := l.probe.Queue(0)
		depth, drops = fmt.Sprint(n), fmt.Sprint(lost)
	}
	sent := ""
	if d.HasSendTime {
		sent = fmt.Sprint(d.SendTime)
	}
	_, l.logged = fmt.Fprintf(l.config.Log, "%d,%d,%d,,%s,%s,%s\n", at.Microseconds(), d.Sequence, len(datagram), depth, drops, sent)
}

// dump writes a datagram as it was read, or in hex where that was not possible.
func (l *Listener) dump(now time.Time, from net.Addr, datagram []byte, why string) {
	w := l.config.Dump
	if w == nil || l.logged != nil {
		return
	}
	at := time.Duration(0)
	if l.began {
		at = now.Sub(l.start)
	}
	line := fmt.Appendf(nil, "%.6f %s %d bytes", at.Seconds(), from, len(datagram))
	if why != "" {
		shown := datagram[:min(len(datagram), 64)]
		line = fmt.Appendf(line, ", %s: %X", why, shown)
		if len(shown) < len(datagram) {
			line = append(line, "..."...)
		}
	} else {
		line = l.appendRecords(line)
	}
	_, l.logged = w.Write(append(line, '\n'))
}

func (l *Listener) appendRecords(line []byte) []byte {
	d := &l.datagram
	line = fmt.Appendf(line, ", set %d, sequence %d", d.Set, d.Sequence)
	if d.HasSendTime {
		line = fmt.Appendf(line, ", sent at %d us", d.SendTime)
	}
	for i := range d.Records {
		r := &d.Records[i]
		line = fmt.Appendf(line, "; %s %X", r.ID, r.Data)
		if d.HasAges {
			line = fmt.Appendf(line, " %.1f ms old", float64(r.Age)/10)
		}
	}
	return line
}
