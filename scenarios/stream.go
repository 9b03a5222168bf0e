package scenarios

import (
	"hash/fnv"
	"math/rand/v2"
	"strconv"
)

// Streams hands out the random streams of one replication. A stream is
// addressed by its purpose and an index, so that two designs meet the same
// traffic and the same fading whatever else they draw.
type Streams struct {
	Seed        uint64
	Replication uint64
	Owner       string // whose streams they are; "" = the vehicle under design
}

// Of returns the streams of one of several vehicles of a name.
func (s Streams) Of(name string, index int) Streams {
	s.Owner = name + " " + strconv.Itoa(index)
	return s
}

// Rand returns the stream of a purpose. Each call starts it anew.
func (s Streams) Rand(purpose string, index int) *rand.Rand {
	key := s.Key(purpose, index)
	return rand.New(rand.NewPCG(key, mix(key^0x9e3779b97f4a7c15)))
}

// Key returns the number that addresses a stream, for draws that are a function
// of an instant.
func (s Streams) Key(purpose string, index int) uint64 {
	h := fnv.New64a()
	h.Write([]byte(s.Owner))
	h.Write([]byte{0})
	h.Write([]byte(purpose))
	key := mix(s.Seed + 0x9e3779b97f4a7c15)
	key = mix(key ^ h.Sum64())
	key = mix(key ^ (s.Replication + 0x632be59bd9b4e019))
	return mix(key ^ uint64(index))
}

// mix is the finaliser of SplitMix64 (Steele, Lea, Flood: "Fast splittable
// pseudorandom number generators", OOPSLA 2014).
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}
