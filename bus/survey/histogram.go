package survey

import (
	"math/bits"
	"slices"
)

// bucketBits is how many bits below the highest one tell buckets apart.
const bucketBits = 9

// Resolution is the relative width of a bucket of the histograms: quantiles are
// right within half of it. Below 512 (nanoseconds, bits) they are exact.
const Resolution = 1.0 / (1 << bucketBits)

// histogram counts whole numbers above or equal 0 in buckets of constant relative
// width, of which only those that were met are kept: at most 28,000 of 12 bytes, for most
// identifiers a few dozen. The zero value is empty.
type histogram struct {
	buckets []bucket // by index
	recent  int      // place of the bucket last met
	count   uint64
	most    int64
	least   int64
}

type bucket struct {
	index uint32
	count uint32
	more  uint32 // times 2^32
}

func bucketOf(v int64) uint32 {
	length := bits.Len64(uint64(v))
	if length <= bucketBits {
		return uint32(v)
	}
	shift := length - bucketBits - 1
	return uint32(shift)<<bucketBits + uint32(v>>shift)
}

// edges returns the least value of a bucket and the first above it.
func edges(index uint32) (low, above int64) {
	if index < 1<<bucketBits {
		return int64(index), int64(index) + 1
	}
	shift := index>>bucketBits - 1
	mantissa := int64(index) - int64(shift)<<bucketBits
	return mantissa << shift, (mantissa + 1) << shift
}

func (h *histogram) add(v int64) { h.addMany(v, 1) }

func (h *histogram) addMany(v int64, n uint64) {
	if n == 0 {
		return
	}
	v = max(v, 0)
	if h.count == 0 || v < h.least {
		h.least = v
	}
	h.most = max(h.most, v)
	h.count += n
	index := bucketOf(v)
	if h.recent >= len(h.buckets) || h.buckets[h.recent].index != index {
		at := h.place(index)
		if at == len(h.buckets) || h.buckets[at].index != index {
			h.buckets = slices.Insert(h.buckets, at, bucket{index: index})
		}
		h.recent = at
	}
	b := &h.buckets[h.recent]
	sum := uint64(b.more)<<32 + uint64(b.count) + n
	b.count, b.more = uint32(sum), uint32(sum>>32)
}

// place returns where a bucket is or belongs. It is on the hot path.
func (h *histogram) place(index uint32) int {
	low, high := 0, len(h.buckets)
	for low < high {
		if middle := int(uint(low+high) >> 1); h.buckets[middle].index < index {
			low = middle + 1
		} else {
			high = middle
		}
	}
	return low
}

func (b *bucket) n() uint64 { return uint64(b.more)<<32 + uint64(b.count) }

// quantile returns the value that a share of all does not exceed: the middle of
// its bucket, inside what was met. 0 when nothing was.
func (h *histogram) quantile(share float64) float64 {
	if h.count == 0 {
		return 0
	}
	rank, below := share*float64(h.count), uint64(0)
	for i := range h.buckets {
		b := &h.buckets[i]
		below += b.n()
		if float64(below) >= rank {
			low, above := edges(b.index)
			middle := float64(low) + float64(above-1-low)/2
			return min(max(middle, float64(h.least)), float64(h.most))
		}
	}
	return float64(h.most)
}

// within returns the share of values from low to high, to the bucket.
func (h *histogram) within(low, high float64) float64 {
	if h.count == 0 {
		return 0
	}
	n := uint64(0)
	for i := range h.buckets {
		from, above := edges(h.buckets[i].index)
		if middle := float64(from+above-1) / 2; middle >= low && middle <= high {
			n += h.buckets[i].n()
		}
	}
	return float64(n) / float64(h.count)
}
