package safety

import (
	"reflect"
	"testing"
)

// TestEveryYesAndNoOfTheLimitsIsKeptByItself, whatever the others are.
func TestEveryYesAndNoOfTheLimitsIsKeptByItself(t *testing.T) {
	var each func(v reflect.Value, do func(b reflect.Value))
	each = func(v reflect.Value, do func(b reflect.Value)) {
		switch v.Kind() {
		case reflect.Struct:
			for i := range v.NumField() {
				each(v.Field(i), do)
			}
		case reflect.Array:
			for i := range v.Len() {
				each(v.Index(i), do)
			}
		case reflect.Bool:
			do(v)
		}
	}
	for _, all := range []bool{false, true} {
		var l Limits
		each(reflect.ValueOf(&l).Elem(), func(b reflect.Value) { b.SetBool(all) })
		var kept twice
		kept.keep(&l)
		n := 0
		each(reflect.ValueOf(&l).Elem(), func(b reflect.Value) {
			n++
			if b.SetBool(!all); kept.agrees(&l) {
				t.Errorf("among all %v, number %d was changed and went unseen", all, n)
			}
			b.SetBool(all)
		})
		if n < MaxSensors+2*MaxHeaters+MaxBlowers {
			t.Errorf("only %d tried", n)
		}
	}
}

// TestEveryWordOfTheLimitsIsKeptTwice: what a sensor or a contact is for counts as much as a number.
func TestEveryWordOfTheLimitsIsKeptTwice(t *testing.T) {
	var good Limits
	for i := range good.Sensors {
		good.Sensors[i].Role = RoleBoard
	}
	for i := range good.Interlocks {
		good.Interlocks[i].Kind = Door
	}
	var kept twice
	kept.keep(&good)
	if !kept.agrees(&good) {
		t.Fatal("does not agree with itself")
	}
	for i := range good.Sensors {
		l := good
		if l.Sensors[i].Role = RoleNozzle; kept.agrees(&l) {
			t.Errorf("another role of sensor %d went unseen", i)
		}
	}
	for i := range good.Interlocks {
		l := good
		if l.Interlocks[i].Kind = Limiter; kept.agrees(&l) {
			t.Errorf("another kind of interlock %d went unseen", i)
		}
	}
	for i := range kept { // and the copy is looked at as a whole
		bad := kept
		if bad[i] ^= 1; bad.agrees(&good) {
			t.Errorf("number %d of the copy went unseen", i)
		}
	}
}

// TestTheCopyHasRoomForEveryNumberAndNoMore: a number that is not written is none that is checked.
func TestTheCopyHasRoomForEveryNumberAndNoMore(t *testing.T) {
	var a, b twice
	for i := range a {
		a[i], b[i] = 1<<63|7, 1<<62|5 // what no number of empty limits comes to
	}
	numbers(&Limits{}, &a)
	numbers(&Limits{}, &b)
	if a != b {
		t.Error("some places are not written")
	}
}

// The words are told apart by FNV-1a, whose published values for "a" and "foobar" are af63dc4c8601ec8c and 85944171f73967e8 (the authors' test
// vectors, from memory).
func TestWordsAreToldApartByTheirDigest(t *testing.T) {
	if got := digest("a"); got != 0xaf63dc4c8601ec8c {
		t.Errorf("%x", got)
	}
	if got := digest("foobar"); got != 0x85944171f73967e8 {
		t.Errorf("%x", got)
	}
	if digest("") != 0xcbf29ce484222325 {
		t.Errorf("%x", digest(""))
	}
	if digest("ab") == digest("ba") || digest("aa") == digest("a") {
		t.Error("not told apart")
	}
}
