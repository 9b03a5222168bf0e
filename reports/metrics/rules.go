package metrics

import _ "embed" // the rules

// Rules are recording and alert rules for a metrics server, and RulesTests their
// unit tests, which expect the rules in a file rules.yml beside them.
var (
	//go:embed rules.yml
	Rules []byte
	//go:embed rules_test.yml
	RulesTests []byte
)
