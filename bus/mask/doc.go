// Package mask holds the acceptance filters of bus controllers: what each shape
// of them lets through, bit by bit of the registers, and the setting that lets a
// set of identifiers pass with the least unwanted traffic beside it.
//
// # Polarity
//
// A mask whose ones mean "compare" accepts a frame if (frame XOR code) AND mask
// is zero; one whose ones mean "ignore" accepts it if (frame XOR code) AND NOT
// mask is zero. Shapes differ in this, and mixing the two up is the classic
// mistake: [Shape.Polarity] says which holds. Inside the package a bit that is
// compared is called a care bit, whatever the register calls it.
//
// # Search
//
// A setting is a partition of the wanted identifiers into classes, one a code:
// the best mask of a class ignores the bits in which its members differ and
// those that are data, and compares all others. Codes that share a mask ignore
// what any of them must ignore. Putting one more identifier into a class never
// makes it let less through, so what a partial partition lets through is a lower
// bound for all that continue it. [Solve] uses that three times: to branch and
// bound; to prove an optimum, or a bound, for a large set by solving a part of
// it, since a setting for all holds the part too; and to add to that part
// whatever its best setting serves worst. Work is counted, not timed, so that the
// answer is the same on every machine.
package mask
