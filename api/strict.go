package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"
)

// maxDepth is how deep a body may be nested (hazard N-07). Our own go two levels deep.
const maxDepth = 16

// decodeStrict is json.Unmarshal for bodies from outside. It refuses what the standard decoder lets through: a name twice in
// one object (of which two readers may believe different ones), a name in other letters (which Go takes for ours), deep nesting, bytes that are not UTF-8, and anything after the
// value. Unknown names and wrong types are found afterwards, by the schema. NaN and infinity are not JSON.
func decodeStrict(data []byte, into any) error {
	if !utf8.Valid(data) {
		return errors.New("the body is not UTF-8")
	}
	d := json.NewDecoder(bytes.NewReader(data))
	// Numbers stay text here. Whether one fits is found by the real decoding below.
	d.UseNumber()
	if err := walk(d, 0); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return errors.New("there is more after the value")
	}
	return json.Unmarshal(data, into)
}

// walk reads one value token by token, building nothing.
func walk(d *json.Decoder, depth int) error {
	// Judged before descending, so that the stack never grows with the body.
	if depth > maxDepth {
		return fmt.Errorf("nested more than %d levels deep", maxDepth)
	}
	t, err := d.Token()
	if err != nil {
		if err == io.EOF {
			return io.ErrUnexpectedEOF
		}
		return err
	}
	open, ok := t.(json.Delim)
	if !ok {
		return nil
	}
	// As large as the object has names; the body as a whole is bounded by the router.
	seen := map[string]bool{}
	for d.More() {
		if open == '{' {
			t, err := d.Token()
			if err != nil {
				return err
			}
			name, _ := t.(string)
			if strings.ToLower(name) != name {
				return fmt.Errorf("the name %q is unknown; names are in lower case", clip(name))
			}
			if seen[name] {
				return fmt.Errorf("the name %q appears twice", clip(name))
			}
			seen[name] = true
		}
		if err := walk(d, depth+1); err != nil {
			return err
		}
	}
	_, err = d.Token() // the closing one
	return err
}

// cleanText returns a text that a person typed, without space at its ends. Characters that cannot be seen are refused: they
// make one name look like another, or turn the rest of a line around (hazard N-07).
func cleanText(field, s string) (string, error) {
	s = strings.TrimSpace(s)
	for _, r := range s {
		if unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp, unicode.Co) || r == utf8.RuneError {
			p := problem("bad_field", fmt.Sprintf("body.%s: it holds a character that cannot be seen (%U).", field, r))
			p.Errors = []FieldError{{Location: "body." + field, Message: "visible characters only"}}
			return "", p
		}
	}
	return s, nil
}
