package live

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"os"
	"sync"
	"time"

	"stalegauge/bus/bridge"
	"stalegauge/scenarios"
	"stalegauge/sim"
	"stalegauge/sim/age"
)

// ListenerConfig describes what a listener knows of the sender. The zero value
// knows nothing: it takes the layout id of version 1 and the first set it hears.
type ListenerConfig struct {
	Plan *scenarios.Plan // prepared; nil = no displays and no ages
	// Start is instant 0 of the sender's run; the zero time = worked out by Align.
	Start time.Time
	// Align returns when the broadcast with a sequence number is handed to the
	// medium and when it has left, by the simulation; false where that is not known.
	// nil = never. A listener that cannot be aligned begins with the first datagram.
	Align func(number uint16) (handed, left time.Duration, ok bool)
	// SameHost reports whether a sender has this host's clock; nil = [SameHost].
	SameHost func(net.Addr) bool
	Wall     func() time.Time // nil = time.Now
	Log      io.Writer        // a line for each datagram of the own set; nil = none
	Dump     io.Writer        // a line for each datagram; nil = none
	// Watched keeps a second set of displays for Look, which brings them up to the
	// clock: those of the report stop at the last datagram of a sender that falls
	// silent, whoever looks.
	Watched bool
}

// Counts is what a listener counted. Datagrams is the sum of Own, Foreign,
// OtherSender and Malformed; Own is the sum of Heard and Duplicates.
type Counts struct {
	Datagrams, Bytes uint64
	Own              uint64
	Foreign          uint64                // of other sets
	Sets             map[uint16]uint64     // of Foreign, by set: the first 64
	OtherSender      uint64                // of the own set, while another sender is heard
	Malformed        [bridge.Faults]uint64 // by what is wrong; OtherVersion = another layout
	Losses
	Records   uint64 // in the datagrams of Own
	Untimed   uint64 // of Own: without send time or without ages
	Unlisted  uint64 // records of identifiers that the forward list does not have
	Oldest    uint64 // records with the greatest age that fits: they may be older
	Restarts  uint64 // of the sender
	Steps     uint64 // of the wall clock, or of the sender's
	MostSets  bool   // there were more foreign sets than are told apart
	SameClock bool   // the last sender had this host's clock
	Drift     float64
	Aligned   bool // to the sender's run
}

// Listener measures what arrives. Its methods may be called by several goroutines.
type Listener struct {
	mu        sync.Mutex
	config    ListenerConfig
	codec     *bridge.Codec
	set       uint16
	hasSet    bool
	probe     *sim.Probe
	watched   *sim.Probe    // nil = nobody looks
	watchedAt time.Duration // instant that it has been brought to
	room      bridge.Received
	counts    Counts
	sequence  sequence
	clock     sendClock
	rates     rates
	ids       intervals

	start    time.Time // instant 0
	began    bool
	base     time.Duration // wall clock at instant 0, since the Unix epoch
	last     time.Duration // instant of the last datagram of the own set
	reached  time.Duration // instant that the displays have been brought to
	sender   senderKey
	newest   time.Duration // send time of the newest sequence number
	again    int           // duplicates one after the other, each next to the one before
	againAt  uint16
	datagram bridge.Datagram
	logged   error
	late     age.Points // from the end of the air time to the arrival
}

// NewListener returns a listener that has heard nothing.
func NewListener(c ListenerConfig) *Listener {
	l := &Listener{config: c, codec: bridge.NewCodec(bridge.Layout{Version: 1}, nil)}
	if c.Plan != nil {
		l.codec = bridge.NewCodec(c.Plan.Bridge.Layout, c.Plan.Bridge.Forward)
		l.set, l.hasSet = c.Plan.Bridge.Layout.Set, true
		l.probe = sim.NewProbe(c.Plan)
		if c.Watched {
			l.watched = sim.NewProbe(c.Plan)
		}
	}
	if c.SameHost == nil {
		l.config.SameHost = SameHost()
	}
	if c.Wall == nil {
		l.config.Wall = time.Now
	}
	return l
}

// longestDatagram is more than the longest payload of any radio.
const longestDatagram = 65536

// Listen reads datagrams until ctx ends. The error is that of the connection or of
// the log.
func (l *Listener) Listen(ctx context.Context, conn net.PacketConn) error {
	if err := conn.SetReadDeadline(time.Time{}); err != nil {
		return err
	}
	stop := context.AfterFunc(ctx, func() {
		_ = conn.SetReadDeadline(time.Unix(1, 0)) // a closed connection ends the reading too
	})
	defer stop()
	buffer := make([]byte, longestDatagram)
	for {
		n, from, err := conn.ReadFrom(buffer)
		now := time.Now()
		switch {
		case err == nil:
			if err := l.Take(buffer[:n], from, now); err != nil {
				return err
			}
		case errors.Is(err, os.ErrDeadlineExceeded) && ctx.Err() != nil:
			return nil
		case errors.Is(err, os.ErrDeadlineExceeded):
		case ctx.Err() != nil:
			return nil
		default:
			return reason(err)
		}
	}
}

// Take measures one datagram that arrived now. The error is that of the log.
func (l *Listener) Take(datagram []byte, from net.Addr, now time.Time) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.counts.Datagrams++
	l.counts.Bytes += uint64(len(datagram))
	if l.foreign(datagram) {
		l.dump(now, from, datagram, "another set")
		l.ignore(now)
		return l.logged
	}
	if err := l.codec.Decode(datagram, &l.datagram); err != nil {
		var wrong *bridge.DatagramError
		if !errors.As(err, &wrong) {
			panic("live: an error of Decode without its fault: " + err.Error())
		}
		l.counts.Malformed[wrong.Fault]++
		if l.config.Dump != nil {
			l.dump(now, from, datagram, wrong.Fault.String()+": "+err.Error())
		}
		l.ignore(now)
		return l.logged
	}
	if !l.hasSet {
		l.set, l.hasSet = l.datagram.Set, true
	}
	l.own(datagram, from, now)
	return l.logged
}

// foreign counts a datagram of another set, which a display throws away before it
// reads on.
func (l *Listener) foreign(datagram []byte) bool {
	if !l.hasSet || len(datagram) < 7 || datagram[0] != l.codec.Version() {
		return false
	}
	set := binary.BigEndian.Uint16(datagram[2:])
	if set == l.set {
		return false
	}
	c := &l.counts
	c.Foreign++
	if c.Sets == nil {
		c.Sets = map[uint16]uint64{}
	}
	if _, known := c.Sets[set]; known || len(c.Sets) < 64 {
		c.Sets[set]++
	} else {
		c.MostSets = true
	}
	return true
}

// ignore costs the displays the time of a datagram that brings nothing.
func (l *Listener) ignore(now time.Time) {
	if l.probe == nil || !l.began {
		return
	}
	at := max(now.Sub(l.start), l.reached)
	l.reached = at
	l.hear(at, l.room.New(), true)
}

// own measures a datagram of the own set.
func (l *Listener) own(datagram []byte, from net.Addr, now time.Time) {
	key := keyOfAddr(from)
	if !l.began {
		l.begin(from, now)
		l.sender = key
	}
	at := max(now.Sub(l.start), l.reached)
	l.reached = at
	if key != l.sender {
		if at-l.last < jump {
			l.counts.OtherSender++
			l.dump(now, from, datagram, "another sender of the same set")
			return
		}
		l.sender = key
		l.restart(at, from)
	}
	wall := l.wall(at)
	l.counts.Own++
	l.counts.Records += uint64(len(l.datagram.Records))
	sent, timed := l.sent(at, wall, from)
	l.last = at
	l.rates.note(at, &l.sequence)
	l.sequence.add(l.datagram.Sequence)
	l.ids.note(at, &l.datagram)
	l.dump(now, from, datagram, "")
	if timed && l.probe != nil {
		way := at - sent
		if l.clock.same && len(datagram) <= l.config.Plan.Radio.MaxPayload() {
			way -= l.config.Plan.Radio.Airtime(len(datagram))
		}
		if r := l.config.Plan.Bridge.Repeat; r.Copies > 1 && r.Spacing > 0 {
			way %= r.Spacing // a copy carries the send time of the first
		}
		l.late.Add(max(0, way), 1)
		l.hear(at, l.broadcast(at, sent), false)
	}
	l.log(at, datagram)
}

// begin sets instant 0 by the first datagram of the own set.
func (l *Listener) begin(from net.Addr, now time.Time) {
	l.began = true
	l.start = now
	wall := l.config.Wall()
	same := l.config.SameHost(from)
	d := &l.datagram
	switch {
	case !l.config.Start.IsZero():
		l.start, l.counts.Aligned = l.config.Start, true
	case l.config.Align != nil:
		handed, left, ok := l.config.Align(d.Sequence)
		if ok {
			l.counts.Aligned = true
			l.start = now.Add(-left)
			delay := time.Duration(int32(uint32(wall.UnixMicro())-d.SendTime)) * time.Microsecond
			if same && d.HasSendTime && delay > earliest && delay < latest {
				l.start = now.Add(-delay - handed)
			}
		}
	}
	l.base = time.Duration(wall.UnixNano()) - now.Sub(l.start)
	l.clock.restart(same)
}

// wall returns the wall clock at an instant, since the Unix epoch. When it has been
// set, what was held has no age any more.
func (l *Listener) wall(at time.Duration) time.Duration {
	wall := time.Duration(l.config.Wall().UnixNano())
	if d := wall - at - l.base; d > stepLimit || d < -stepLimit {
		l.base = wall - at
		if l.clock.same {
			l.cut(at)
		}
		l.counts.Steps++
	}
	return wall
}

// cut ends all ages.
func (l *Listener) cut(at time.Duration) {
	if l.probe != nil {
		l.probe.Cut(at)
	}
	if l.watched != nil {
		l.watchedAt = max(at, l.watchedAt)
		l.watched.Cut(l.watchedAt)
	}
}

// restart begins with a sender that numbers from anywhere.
func (l *Listener) restart(at time.Duration, from net.Addr) {
	l.counts.Restarts++
	l.sequence.restart()
	l.again = 0
	for _, p := range [...]*sim.Probe{l.probe, l.watched} {
		if p != nil {
			p.Restart()
		}
	}
	if !l.clock.same {
		l.cut(at) // the new clock has nothing to do with the old one
	}
	l.clock.restart(l.config.SameHost(from))
}

// sent returns when the datagram was sent and whether its records have ages, and
// finds out whether the sender has started anew.
func (l *Listener) sent(at, wall time.Duration, from net.Addr) (sent time.Duration, timed bool) {
	d := &l.datagram
	ahead := 1
	if l.sequence.some {
		ahead = l.sequence.ahead(d.Sequence)
	}
	if ahead <= -window {
		l.restart(at, from)
		ahead = 1
	}
	if !d.HasSendTime {
		l.counts.Untimed++
		if ahead > 0 || d.Sequence != l.againAt+1 {
			l.again = 0
		}
		if l.againAt = d.Sequence; ahead <= 0 {
			if l.again++; l.again == 8 { // eight in their order, but all heard before
				l.restart(at, from)
			}
		}
		return 0, false
	}
	sent, ok := l.clock.sentAt(at, wall, d.SendTime)
	if !ok && l.clock.same && !l.clock.some {
		l.clock.restart(false) // a sender on this host with a clock of its own
		sent, ok = l.clock.sentAt(at, wall, d.SendTime)
	}
	if !ok {
		l.counts.Steps++
		l.cut(at)
		l.restart(at, from)
		if sent, ok = l.clock.sentAt(at, wall, d.SendTime); !ok {
			l.clock.restart(false)
			sent, _ = l.clock.sentAt(at, wall, d.SendTime)
		}
		ahead = 1
	}
	if ahead <= 0 && sent > l.newest+time.Millisecond {
		l.restart(at, from) // behind in number and yet sent later
		sent, _ = l.clock.sentAt(at, wall, d.SendTime)
		ahead = 1
	}
	if ahead > 0 {
		l.newest = sent
	}
	if !d.HasAges {
		l.counts.Untimed++
	}
	return sent, d.HasAges
}

// ageUnit is the unit of ages in a datagram, to which they are rounded down.
const ageUnit = 100 * time.Microsecond

// broadcast rebuilds the broadcast in the listener's time.
func (l *Listener) broadcast(at, sent time.Duration) *bridge.Broadcast {
	d := &l.datagram
	b := l.room.New()
	b.Sequence, b.SendTime = d.Sequence, sent
	unit := ageUnit
	if !l.clock.same {
		unit = time.Millisecond // the estimate of the clock moves a little
	}
	for i := range d.Records {
		r := &d.Records[i]
		if r.Slot < 0 {
			l.counts.Unlisted++
			continue
		}
		if r.Age == 65535 {
			l.counts.Oldest++
		}
		valid := min(at, sent-time.Duration(r.Age)*ageUnit)
		// The same value sent twice has the same valid-time but for the rounding.
		if held, ok := l.probe.Held(r.Slot, r.Page); ok && valid-held <= unit && held-valid <= unit {
			valid = held
		}
		record := bridge.Record{Slot: r.Slot, Page: r.Page, ValidAt: valid, Length: uint8(len(r.Data))}
		copy(record.Data[:], r.Data)
		b.Records = append(b.Records, record)
	}
	return b
}
