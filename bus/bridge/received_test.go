package bridge

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A received broadcast is used again after its last holder, and empty then.
func TestReceivedBroadcastsAreUsedAgain(t *testing.T) {
	var room Received
	a := room.New()
	a.Records, a.Sequence = append(a.Records, Record{Slot: 3}), 7
	a.Retain(1)
	a.Release()
	require.NotSame(t, a, room.New())
	a.Release()
	b := room.New()
	require.Same(t, a, b)
	require.Empty(t, b.Records)
	require.Zero(t, b.Sequence)
	b.Release()
	require.Panics(t, b.Release)
	require.Zero(t, testing.AllocsPerRun(100, func() { room.New().Release() }))
}

// The send time counts on from what it says at instant 0, modulo 2^32 us; ages do
// not move with it.
func TestStampedSendTimes(t *testing.T) {
	c := NewCodec(Layout{Version: 1, SendTime: true, RecordAges: true}, layoutList())
	b := &Broadcast{SendTime: 5 * time.Millisecond, Records: []Record{{Slot: 0, Length: 1, ValidAt: 3 * time.Millisecond}}}
	var d Datagram
	for zero, want := range map[time.Duration]uint32{0: 5000, time.Second: 1_005_000, 1<<32*time.Microsecond - 4*time.Millisecond: 1000} {
		require.NoError(t, c.Decode(c.Stamped(zero).Encode(nil, b), &d))
		require.Equal(t, want, d.SendTime)
		require.Equal(t, uint16(20), d.Records[0].Age)
	}
}

// Every refusal says what kind of fault it found.
func TestFaultsOfDatagrams(t *testing.T) {
	for fault, datagram := range map[Fault][]byte{
		TooShort:      {1},
		OtherVersion:  {2, 0, 0, 0, 0, 0, 0},
		WrongFlags:    {1, 8, 0, 0, 0, 0, 0},
		CutOff:        {1, 1, 0, 0, 0, 0, 0},
		WrongLength:   {1, 0, 0, 0, 0, 0, 1, 1, 0x20, 65},
		TrailingBytes: {1, 0, 0, 0, 0, 0, 0, 9},
	} {
		var d Datagram
		var wrong *DatagramError
		err := NewCodec(Layout{Version: 1}, layoutList()).Decode(datagram, &d)
		require.True(t, errors.As(err, &wrong), fault)
		require.Equal(t, fault, wrong.Fault, err)
		require.NotEmpty(t, wrong.Error())
	}
}
