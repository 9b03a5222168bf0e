package live

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"syscall"
	"time"

	"stalegauge/radio"
)

// Output is one place to which datagrams go. Its counts may be read when the run
// has ended. Of the datagrams that a run hands to it each is counted once: Sent,
// Faded or Failed.
type Output struct {
	Name  string
	Write func(datagram []byte) error
	// Weather loses datagrams before they are written; nil = that of the plan.
	Weather *radio.Weather
	// Early writes at the begin of the air time instead of its end: for whoever
	// radiates the datagram, as that takes the air time once more.
	Early bool
	// Buffer is what the socket's send buffer holds, in bytes; 0 = unknown or none.
	Asked, Buffer int

	Sent, Bytes   uint64
	Faded, Failed uint64
	Refused       uint64            // of Sent: the host said later that nobody listens there, as far as it tells
	Errors        map[string]uint64 // texts of failed writes, at most 8 different ones

	fading  *radio.Fading
	outcome radio.Outcome
	row     int // failures one after the other
}

// hear asks the output's weather about a broadcast that begins.
func (o *Output) hear(begin, end time.Duration) {
	if o.fading != nil {
		o.outcome = o.fading.Hear(begin, end)
	}
}

// hopeless is after how many failed writes in a row, with none that went well, an
// output is given up.
const hopeless = 20

// send writes one datagram unless the weather loses it. The error says that there
// is no use in going on. counts is the caller's lock, which is not held while it
// writes.
func (o *Output) send(datagram []byte, counts sync.Locker) error {
	if o.outcome != radio.Heard {
		o.Faded++
		return nil
	}
	counts.Unlock()
	err := o.Write(datagram)
	refused := errors.Is(err, syscall.ECONNREFUSED)
	if refused { // one that was sent before: this one has not left yet
		err = o.Write(datagram)
	}
	counts.Lock()
	if refused {
		o.Refused++
	}
	if err == nil {
		o.Sent++
		o.Bytes += uint64(len(datagram))
		o.row = 0
		return nil
	}
	o.Failed++
	o.row++
	if o.Errors == nil {
		o.Errors = map[string]uint64{}
	}
	text := reason(err).Error()
	if _, known := o.Errors[text]; !known && len(o.Errors) >= 7 {
		text = "others"
	}
	o.Errors[text]++
	if errors.Is(err, errStream) || errors.Is(err, net.ErrClosed) || o.Sent == 0 && o.row >= hopeless {
		return fmt.Errorf("cannot send to %s: %w", o.Name, reason(err))
	}
	return nil
}

// reason takes the wrapping of the net package off an error.
func reason(err error) error {
	var number syscall.Errno
	if errors.As(err, &number) {
		return number
	}
	return err
}

// errStream is in the error of an output that cannot go on after a failed write.
var errStream = errors.New("the stream is broken")

// ToConn returns an output to one address over a packet connection.
func ToConn(conn net.PacketConn, to net.Addr) *Output {
	return &Output{Name: to.String(), Write: func(datagram []byte) error {
		_, err := conn.WriteTo(datagram, to)
		return err
	}}
}

// ToStream returns an output that writes each datagram behind its length in 2
// bytes, big-endian, at the begin of its air time.
func ToStream(name string, w io.Writer) *Output {
	var framed []byte
	return &Output{Name: name, Early: true, Write: func(datagram []byte) error {
		framed = binary.BigEndian.AppendUint16(framed[:0], uint16(len(datagram)))
		framed = append(framed, datagram...)
		if _, err := w.Write(framed); err != nil {
			return fmt.Errorf("%w: %w", errStream, err)
		}
		return nil
	}}
}
