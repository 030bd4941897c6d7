// Package licences holds the notices of this program and of all that is linked
// into it.
package licences

import _ "embed"

// Text is the notices, one after the other under their modules' names.
//
//go:generate go test -run TestNotices -update
//go:embed notices.txt
var Text string
