package bridge

import "time"

// PolicyKind names a batching policy.
type PolicyKind uint8

// The policies.
const (
	Each   PolicyKind = iota // every listed frame leaves at once, one a broadcast
	Fill                     // collected until the payload is full or the oldest has been held for Hold
	Table                    // the latest value of each identifier and page, every Every
	Change                   // the latest value when watched bits have changed, and as a heartbeat
	Slack                    // the latest value when the freshness it brings is worth its air
	policyKinds
)

var policyWords = [policyKinds]string{"each", "fill", "table", "change", "slack"}

// String returns the policy's name.
func (k PolicyKind) String() string {
	if k >= policyKinds {
		return "unknown"
	}
	return policyWords[k]
}

// Policy is a batching policy with its parameters. Those of other kinds have no
// effect.
type Policy struct {
	Kind       PolicyKind
	Name       string        // as a scenario calls it; "" for the general one
	Hold       time.Duration // Fill: longest wait of the oldest record
	MaxRecords int           // Fill: records in one broadcast at most; 0 = what the payload holds
	Every      time.Duration // Table: period
	Phase      time.Duration // Table: first due instant; Slack: first tick
	OnlyNew    bool          // Table: leave out values that have been sent already
	ByLimits   bool          // Table: entries without an Every of their own take as many rounds as their limit holds that of the tightest
	Rotate     bool          // Table: one page of each identifier a round, in turn, instead of all
	Latch      bool          // Table, Change: a value that differs from the last one sent is kept until it has been sent, even if the next one differs again
	MinGap     time.Duration // Change: shortest time from one sending of a record to the next; 0 = none
	Heartbeat  time.Duration // Change: longest time from one sending of a record to the next; 0 = no bound
	Slack      SlackRule     // Slack
}

// SlackRule holds the parameters of the policy [Slack]; [DefaultSlack] gives
// sensible ones.
type SlackRule struct {
	Share  float64       // share of the time on air that it aims at, more than 0, up to 1
	Power  float64       // of the cost of being late: 1 = as the age, more = the latest count more
	Margin float64       // age that a value has left when it counts as fresh, as a share of the display's time
	Loss   float64       // chance believed of losing a broadcast, 0 to less than 1
	Burst  time.Duration // length believed of a burst of losses
	Tick   time.Duration // time between decisions without a new value
	Price  float64       // of a millisecond of air at the beginning, in units of the cost of a value at its limit
	Simple bool          // treat a state that has not changed as a number
}

// DefaultSlack returns the parameters for a share of air: believed to lose 20 %
// of the broadcasts in bursts of 30 ms, on the pessimistic side.
func DefaultSlack(share float64) SlackRule {
	return SlackRule{Share: share, Power: 4, Margin: 0.5, Loss: 0.2, Burst: 30 * time.Millisecond, Tick: 5 * time.Millisecond, Price: 0.1}
}

// policyAt returns the policy with an index as in [Forward.Policy].
func (c *Config) policyAt(index int) *Policy {
	if index == 0 {
		return &c.Policy
	}
	return &c.Policies[index-1]
}

// PolicyOf returns the policy that the entry with this slot goes by. The
// configuration must be free of mistakes.
func (c *Config) PolicyOf(slot int) *Policy { return c.PolicyFor(&c.Forward[slot]) }

// PolicyFor returns the policy that an entry goes by.
func (c *Config) PolicyFor(e *Forward) *Policy { return c.policyAt(e.Policy) }
