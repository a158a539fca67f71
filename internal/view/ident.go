package view

import (
	"encoding/hex"
	"fmt"
)

// idValue is an id as resource.id holds it: 32 hexadecimal digits are 16 bytes there.
func idValue(id string) any {
	if len(id) != 32 {
		return id
	}
	for i := range len(id) {
		if c := id[i]; (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return id
		}
	}
	b, err := hex.DecodeString(id)
	if err != nil {
		panic(err) // the digits were looked at
	}
	return b
}

// idText reads what idValue made; nothing is the empty id.
type idText string

// Scan implements sql.Scanner.
func (t *idText) Scan(v any) error {
	text, err := IDText(v)
	*t = idText(text)
	return err
}

// IDText is the id that a value of resource.id means; "" for none.
func IDText(v any) (string, error) {
	switch v := v.(type) {
	case nil:
		return "", nil
	case []byte:
		return hex.EncodeToString(v), nil
	case string:
		return v, nil
	}
	return "", fmt.Errorf("an id is %T", v)
}
