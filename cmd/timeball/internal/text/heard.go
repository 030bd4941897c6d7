package text

import (
	"fmt"
	"strings"
)

// HeardInstead says what to do when none of the chosen stations is heard, but others are.
func HeardInstead(chosen, heard []string) string {
	are := func(ids []string) string {
		if len(ids) == 1 {
			return "is"
		}
		return "are"
	}
	return fmt.Sprintf("%s %s not heard; %s %s: start again with --station %s",
		listed(chosen), are(chosen), listed(heard), are(heard), strings.Join(heard, ","))
}

// listed is call signs in a sentence.
func listed(ids []string) string {
	says := strings.ToUpper(ids[0])
	for i, id := range ids[1:] {
		if i == len(ids)-2 {
			says += " and "
		} else {
			says += ", "
		}
		says += strings.ToUpper(id)
	}
	return says
}
