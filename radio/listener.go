package radio

import (
	"fmt"
	"math/rand/v2"
	"time"
)

// Scanner says how a receiver scans the primary channels for advertising
// (Bluetooth Core 5.0, Volume 6 Part B 4.4.3): in every Interval it listens for
// Window, to one channel, the channels 37, 38 and 39 taking turns. The zero
// value listens all of the time and changes the channel every 30 ms.
type Scanner struct {
	Window   time.Duration // above 0, in steps of 625us; 0 = Interval
	Interval time.Duration // 2.5ms..10.24s in steps of 625us; 0 = 30ms
}

// Check returns every mistake of a scanner on the receivers of p, each a
// *Mistake, joined. Receivers of profiles that do not advertise have none.
func (s Scanner) Check(p Profile) error {
	var m mistakes
	if _, ok := p.(*Advertising); !ok {
		if s.Window != 0 {
			m.add("scan_window", "given", "nothing: receivers of the profile "+p.Name()+" do not scan")
		}
		if s.Interval != 0 {
			m.add("scan_interval", "given", "nothing: receivers of the profile "+p.Name()+" do not scan")
		}
		return m.err()
	}
	if s.Interval != 0 {
		m.steps("scan_interval", s.Interval, 4*bleStep, bleLongest)
	}
	if s.Window != 0 {
		m.steps("scan_window", s.Window, bleStep, s.filled().Interval)
	}
	return m.err()
}

// filled returns s with its defaults.
func (s Scanner) filled() Scanner {
	if s.Interval == 0 {
		s.Interval = 30 * time.Millisecond
	}
	if s.Window == 0 {
		s.Window = s.Interval
	}
	return s
}

// Listener is one receiver on a medium: it is shown every event and says what
// the receiver makes of each broadcast. It knows the channels on which the
// receiver listens, follows pointers to auxiliary packets and asks the fading.
type Listener struct {
	fading     *Fading
	scanner    Scanner
	phase      time.Duration // when channel 37 had its turn first, at or before 0
	packets    bool          // the profile sends several packets
	pointer    packetBits
	data       packetBits
	receptions []reception
	away       time.Duration // end of the auxiliary packet that is followed
	awayFrom   time.Duration
}

// packetBits describes the inside of a kind of packet for the fading.
type packetBits struct {
	preamble  time.Duration
	perSecond float64 // bit/s; 0 = preamble and rate of the weather
}

// reception is what a receiver has of the broadcast of one station.
type reception struct {
	packet  Outcome       // of the packet on the air, were there no collision
	begin   time.Duration // of that packet
	best    Outcome       // of the packets so far
	pointed bool          // a pointer was heard
	open    bool          // on the air, its fate not settled
}

// NewListener returns a receiver on a medium of p with so many stations. The
// phase of its scanning comes from rng; without one channel 37 has its turn at
// 0. Profiles that do not advertise need none. The fading belongs to the
// listener. It panics when s.Check finds a mistake.
func NewListener(p Profile, s Scanner, stations int, f *Fading, rng *rand.Rand) *Listener {
	if err := s.Check(p); err != nil {
		panic("radio: " + err.Error())
	}
	l := &Listener{fading: f, receptions: make([]reception, stations), away: -1, awayFrom: -1}
	ble, ok := p.(*Advertising)
	if !ok {
		return l
	}
	l.packets, l.scanner = true, s.filled()
	if rng != nil {
		l.phase = -time.Duration(rng.Int64N(int64(blePrimary * l.scanner.Interval)))
	}
	l.pointer, l.data = bitsOf(ble.primary), bitsOf(ble.rate)
	return l
}

// bitsOf returns the inside of an advertising packet of a given rate.
func bitsOf(rate int) packetBits {
	preamble, perSecond := packetSignal(rate)
	return packetBits{preamble, perSecond}
}

// Observe takes an event of the medium. It must be shown all of them in their
// order. It returns true when the fate of the station's present broadcast at
// this receiver is settled, once for each broadcast: Heard at the end of the
// packet, or of the broadcast, that brought it; otherwise the reason of the loss
// when the broadcast ends. Of the packets of a broadcast the one that came
// closest to being heard gives the reason, an auxiliary packet whose pointer was
// heard before all. It does not allocate.
func (l *Listener) Observe(e Event) (Outcome, bool) {
	if e.Kind == AccessFailed || e.Kind == Opened {
		return NotListening, false
	}
	f := &l.receptions[e.Station]
	switch e.Kind {
	case Began:
		*f = reception{open: true, best: NotListening}
		if !l.packets {
			f.packet = l.fading.Hear(e.At, e.Until)
		}
	case PacketBegan:
		f.begin = e.At
		f.packet = l.hear(f, e)
	case PacketEnded:
		return l.endPacket(f, e)
	case Ended:
		open := f.open
		f.open = false
		if !l.packets {
			return withCollision(f.packet, e.Collided), open
		}
		return f.best, open
	default:
		panic(fmt.Sprintf("radio: event of unknown kind %d", e.Kind))
	}
	return NotListening, false
}

// Pending says whether a broadcast of a station is on the air whose fate is not
// settled, for ledgers that close meanwhile. The outcome is NotListening when
// the receiver has not listened to it so far, otherwise Heard.
func (l *Listener) Pending(station int) (Outcome, bool) {
	f := &l.receptions[station]
	if f.best == NotListening && f.packet == NotListening {
		return NotListening, f.open
	}
	return Heard, f.open
}

// withCollision is an outcome in the light of a collision.
func withCollision(o Outcome, collided bool) Outcome {
	if collided && o != NotListening {
		return Collided
	}
	return o
}

// hear says what becomes of a packet that begins, were there no collision.
func (l *Listener) hear(f *reception, e Event) Outcome {
	if e.Channel < bleFirst {
		if !f.pointed || e.At < l.away {
			return NotListening
		}
		l.awayFrom, l.away = e.At, e.Until
		return l.fading.ask(e.At, e.Until, l.data)
	}
	if e.At < l.away || !l.tuned(e.Channel, e.At, e.Until) {
		return NotListening
	}
	if e.Pointer {
		return l.fading.ask(e.At, e.Until, l.pointer)
	}
	return l.fading.ask(e.At, e.Until, l.data)
}

// tuned says whether the receiver scans a primary channel from begin to end.
func (l *Listener) tuned(channel int, begin, end time.Duration) bool {
	since := begin - l.phase
	turn := since / l.scanner.Interval
	if bleFirst+int(turn%blePrimary) != channel {
		return false
	}
	return end-l.phase-turn*l.scanner.Interval <= l.scanner.Window
}

// endPacket settles a packet.
func (l *Listener) endPacket(f *reception, e Event) (Outcome, bool) {
	o := f.packet
	primary := e.Channel >= bleFirst
	if primary && f.begin < l.awayFrom { // left it for an auxiliary packet
		o = NotListening
	}
	o = withCollision(o, e.Collided)
	switch {
	case !f.open:
	case e.Pointer && o == Heard:
		f.pointed = true
	case o == Heard:
		f.open = false
		return Heard, true
	case !primary && f.pointed:
		f.best = o
	default:
		f.best = min(f.best, o)
	}
	return o, false
}
