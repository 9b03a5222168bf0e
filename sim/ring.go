package sim

// ring is a queue that reuses its memory.
type ring[T any] struct {
	items []T
	first int
	count int
}

func (q *ring[T]) len() int { return q.count }

func (q *ring[T]) push(item T) {
	if q.count == len(q.items) {
		grown := make([]T, max(8, 2*q.count))
		n := copy(grown, q.items[q.first:])
		copy(grown[n:], q.items[:q.first])
		q.items, q.first = grown, 0
	}
	at := q.first + q.count
	if at >= len(q.items) {
		at -= len(q.items)
	}
	q.items[at] = item
	q.count++
}

func (q *ring[T]) front() *T { return &q.items[q.first] }

func (q *ring[T]) at(i int) *T { return &q.items[(q.first+i)%len(q.items)] }

func (q *ring[T]) pop() T {
	item := q.items[q.first]
	var zero T
	q.items[q.first] = zero
	q.first++
	if q.first == len(q.items) {
		q.first = 0
	}
	q.count--
	return item
}
