package intake

import (
	"fmt"
	"strings"
	"unicode"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// charactersRule is the id of the schema's rule on the characters of an identifier.
const charactersRule = "identifier.characters"

// unseen names an invisible character, empty for any other.
func unseen(r rune) string {
	switch {
	case unicode.Is(unicode.Cc, r):
		return "a control character"
	case unicode.Is(unicode.Cf, r):
		return "a format character, which is invisible"
	case unicode.Is(unicode.Zl, r), unicode.Is(unicode.Zp, r):
		return "a line break"
	case unicode.Is(unicode.Zs, r):
		return "a space"
	}
	return ""
}

// wrongCharacter says which character an identifier must not contain, and where: the first
// invisible character or a space at either end. With strict, every space within counts as well,
// except the common one.
func wrongCharacter(s string, strict bool) string {
	list := []rune(s)
	for i, r := range list {
		what := unseen(r)
		if what == "" || what == "a space" && (!strict || r == ' ') && i > 0 && i < len(list)-1 {
			continue
		}
		return fmt.Sprintf("has U+%04X, %s, as character %d of %d", r, what, i+1, len(list))
	}
	return ""
}

// charactersOf says what is wrong with the characters of an identifier. text is the text of its
// rule.
func charactersOf(rule, text string, value protoreflect.Value) string {
	s, ok := value.Interface().(string)
	if !ok {
		return text
	}
	switch rule {
	case charactersRule:
		if has := wrongCharacter(s, false); has != "" {
			return has + "; send it without"
		}
	case "string.pattern", "string.uri":
		if has := wrongCharacter(s, true); has != "" {
			return strings.TrimSuffix(text, ".") + "; it " + has
		}
	}
	return text
}
