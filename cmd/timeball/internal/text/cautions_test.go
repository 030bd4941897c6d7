package text

import (
	"os"
	"strings"
	"testing"
)

// The page carries the same sentence.
func TestPageCarriesTheCaution(t *testing.T) {
	page, err := os.ReadFile("../page/assets/page.html")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(page), MachineryCaution) {
		t.Errorf("the page has no %q", MachineryCaution)
	}
}
