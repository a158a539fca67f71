package simulate

import (
	"fmt"
	"strings"

	v1 "cannulary/proto/cannulary/v1"
)

// Naming systems of the invented units.
const (
	systemMRN       = "https://cannulary.example/mrn"
	systemTemporary = "https://cannulary.example/temporary"
	systemStaff     = "https://cannulary.example/staff"
	systemAgent     = "https://cannulary.example/antimicrobial"
	systemSession   = "https://cannulary.example/session"
)

// identity is what is shown of a patient for positive identification.
type identity struct {
	identifier *v1.PatientIdentifier
	temporary  *v1.PatientIdentifier
	family     string
	given      string
	birth      string
}

// Syllables of the invented names. They are rare in any language, and a name has at least
// seven letters, so that a search for one in bytes has no chance hits.
func familySyllables() [3][]string {
	return [3][]string{
		{"Vorq", "Zelth", "Quomb", "Jixt", "Wrov", "Kyzz", "Thaux", "Yvolg", "Drux", "Phezn", "Xandr", "Oqual"},
		{"ubi", "ave", "ozu", "iwa", "eqo", "uyo", "axi", "oju", "ize", "uva"},
		{"lquin", "rzham", "ndvex", "mbrox", "stwyn", "gthul", "zkorn", "fjard", "xwell", "vmont"},
	}
}

func givenSyllables() [3][]string {
	return [3][]string{
		{"Zaph", "Quil", "Jory", "Vexa", "Wylf", "Xeno", "Kreq", "Ozm", "Yndr", "Thyz"},
		{"umi", "oxa", "ewi", "ajo", "iqu", "uze", "ovy"},
		{"lth", "rvo", "nqa", "zzi", "mby", "ska", "dwe"},
	}
}

// newIdentity invents the generation-th patient of a slot. The identifiers are unique
// because they hold unit, slot and generation in their digits.
func newIdentity(seed uint64, unit, slot, generation int) identity {
	c := newChance(seed, streamIdentity, uint64(unit), uint64(slot), uint64(generation))
	number := fmt.Sprintf("%02d%03d%02d", unit, slot, generation)
	letters := string([]byte{byte('A' + c.IntN(26)), byte('A' + c.IntN(26)), byte('A' + c.IntN(26))})
	return identity{
		identifier: &v1.PatientIdentifier{System: systemMRN, Value: fmt.Sprintf("MRN%s%s-%03d", letters, number, c.IntN(1000))},
		temporary:  &v1.PatientIdentifier{System: systemTemporary, Value: fmt.Sprintf("TMP%s%s-%03d", letters, number, c.IntN(1000))},
		family:     join(c, familySyllables()),
		given:      join(c, givenSyllables()),
		birth:      fmt.Sprintf("%04d-%02d-%02d", c.between(1936, 1988), c.between(1, 12), c.between(1, 28)),
	}
}

func join(c chance, table [3][]string) string {
	var b strings.Builder
	for _, part := range table {
		b.WriteString(part[c.IntN(len(part))])
	}
	return b.String()
}

// place is an invented town with the real time zone it is put in.
type place struct {
	town, zone string
}

// places are the invented towns; more units than towns number them.
func places() []place {
	return []place{
		{"Portamara", "Europe/Lisbon"},
		{"Ostrelund", "Europe/Helsinki"},
		{"Quillhaven", "America/Halifax"},
		{"Wattle Crossing", "Australia/Adelaide"},
		{"Kamalpura Lake", "Asia/Kolkata"},
		{"Cedar Fords", "America/Chicago"},
		{"Rangihau Bay", "Pacific/Auckland"},
		{"Serra Lunar", "America/Sao_Paulo"},
	}
}

// unitLetters names the units A, B, … Z, AA, AB, ….
func unitLetters(n int) string {
	s := string(rune('A' + n%26))
	if n >= 26 {
		s = string(rune('A'+n/26-1)) + s
	}
	return s
}
