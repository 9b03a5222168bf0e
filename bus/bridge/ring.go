package bridge

// ring is a queue that grows and never shrinks.
type ring[T any] struct {
	items []T // a power of two
	head  int
	n     int
}

func (r *ring[T]) len() int { return r.n }

func (r *ring[T]) at(i int) *T { return &r.items[(r.head+i)&(len(r.items)-1)] }

func (r *ring[T]) front() *T { return &r.items[r.head] }

func (r *ring[T]) push(item T) {
	if r.n == len(r.items) {
		r.grow()
	}
	r.items[(r.head+r.n)&(len(r.items)-1)] = item
	r.n++
}

func (r *ring[T]) grow() {
	bigger := make([]T, max(8, 2*len(r.items)))
	for i := range r.n {
		bigger[i] = *r.at(i)
	}
	r.items, r.head = bigger, 0
}

func (r *ring[T]) pop() T {
	item := r.items[r.head]
	r.head = (r.head + 1) & (len(r.items) - 1)
	r.n--
	return item
}

func (r *ring[T]) drop() {
	r.head = (r.head + 1) & (len(r.items) - 1)
	r.n--
}

func (r *ring[T]) popLast() T {
	r.n--
	return *r.at(r.n)
}

// insert puts an item in front of the one with index i.
func (r *ring[T]) insert(i int, item T) {
	r.push(item)
	for j := r.n - 1; j > i; j-- {
		*r.at(j) = *r.at(j - 1)
	}
	*r.at(i) = item
}

// remove takes out the item with index i and closes the gap.
func (r *ring[T]) remove(i int) T {
	item := *r.at(i)
	for ; i > 0; i-- {
		*r.at(i) = *r.at(i - 1)
	}
	r.pop()
	return item
}
