package check

import (
	"fmt"
	"math"
	"math/bits"
	"reflect"
	"time"
)

// how says what the key does with one field.
type how uint8

const (
	exact  how = iota // the default
	drop              // not in the key
	ago               // a point in time: how long ago it was, cut off at top
	upto              // a length of time or a count: cut off at top
	coarse            // a length of time: whole multiples of top
	agoish            // a point in time: how long ago, in whole multiples of top
	ones              // a set of bits: how many are set, in four classes
	first             // an array: its first top elements
	custom            // see rule.by
)

// rule is how one field is treated, and why that may be.
type rule struct {
	how how
	top int64 // ns for times
	why string
	by  func(h *hash, v reflect.Value, n *shape)
}

// policy maps "Type.field" to the rule for it.
type policy map[string]rule

// hash is the key in the making. It mixes 64-bit words as splitmix64 does (constants from memory).
type hash struct {
	x   uint64
	now int64 // ns, what "ago" is counted from
}

func (h *hash) put(v uint64) {
	h.x += v + 0x9e3779b97f4a7c15
	h.x = (h.x ^ h.x>>30) * 0xbf58476d1ce4e5b9
	h.x = (h.x ^ h.x>>27) * 0x94d049bb133111eb
	h.x ^= h.x >> 31
}

// shape is a type with its rules looked up, so that hashing a value asks no map.
type shape struct {
	kind   reflect.Kind
	fields []field
	elem   *shape
	n      int
}

type field struct {
	index int
	rule  rule
	shape *shape
}

// shapeOf looks through a type. It panics on a field that a key cannot be made of and that no rule drops: that is a mistake in the
// table, found by the first test that runs.
func shapeOf(t reflect.Type, p policy, used map[string]bool) *shape {
	s := &shape{kind: t.Kind()}
	switch t.Kind() {
	case reflect.Struct:
		for i := range t.NumField() {
			name := t.Name() + "." + t.Field(i).Name
			r := p[name]
			used[name] = true
			if r.how == drop {
				continue
			}
			f := field{index: i, rule: r}
			if r.how == exact || r.how == first || r.how == custom {
				f.shape = shapeOf(t.Field(i).Type, p, used)
			}
			s.fields = append(s.fields, f)
		}
	case reflect.Array:
		s.n, s.elem = t.Len(), shapeOf(t.Elem(), p, used)
	case reflect.Pointer, reflect.Interface, reflect.Chan, reflect.Func, reflect.Map, reflect.Slice, reflect.UnsafePointer:
		panic(fmt.Sprintf("the key cannot look through a %s; give its field a rule", t))
	}
	return s
}

// value puts v into the key.
func (h *hash) value(v reflect.Value, s *shape) {
	switch s.kind {
	case reflect.Struct:
		for i := range s.fields {
			h.field(v.Field(s.fields[i].index), &s.fields[i])
		}
	case reflect.Array:
		for i := range s.n {
			h.value(v.Index(i), s.elem)
		}
	case reflect.String:
		w := uint64(len(v.String()))
		for _, c := range []byte(v.String()) {
			w = w*1099511628211 ^ uint64(c)
		}
		h.put(w)
	case reflect.Bool:
		if v.Bool() {
			h.put(1)
		} else {
			h.put(0)
		}
	case reflect.Float32, reflect.Float64:
		h.put(math.Float64bits(v.Float()))
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		h.put(uint64(v.Int()))
	default:
		h.put(v.Uint())
	}
}

func (h *hash) field(v reflect.Value, f *field) {
	switch f.rule.how {
	case ago:
		h.put(uint64(min(h.now-v.Int(), f.rule.top)))
	case agoish:
		h.put(uint64(min(h.now-v.Int(), 20*f.rule.top) / f.rule.top))
	case upto:
		h.put(uint64(min(v.Int(), f.rule.top)))
	case coarse:
		h.put(uint64(v.Int() / f.rule.top))
	case ones:
		n := bits.OnesCount64(v.Uint())
		h.put(uint64(min((n+4)/5, 2)))
	case first:
		for i := range int(f.rule.top) {
			h.value(v.Index(i), f.shape.elem)
		}
	case custom:
		f.rule.by(h, v, f.shape)
	default:
		h.value(v, f.shape)
	}
}

// keyer makes keys of several objects that are hashed together.
type keyer struct {
	values []reflect.Value
	shapes []*shape
	used   map[string]bool
}

// newKeyer prepares keys of what the pointers point to.
func newKeyer(p policy, objects ...any) *keyer {
	k := &keyer{used: map[string]bool{}}
	for _, o := range objects {
		v := reflect.ValueOf(o).Elem()
		k.values = append(k.values, v)
		k.shapes = append(k.shapes, shapeOf(v.Type(), p, k.used))
	}
	return k
}

func (k *keyer) key(now time.Duration) uint64 {
	h := &hash{now: int64(now)}
	for i, v := range k.values {
		h.value(v, k.shapes[i])
	}
	return h.x
}

// slot keeps copies of objects and puts them back in place, so that pointers between them stay right. Copying by reflection goes
// past the vet rule against copying atomics and locks; here it is sound, because nothing else runs while a search does.
type slot struct{ live, kept []reflect.Value }

func newSlot(objects ...any) *slot {
	s := &slot{}
	for _, o := range objects {
		v := reflect.ValueOf(o).Elem()
		s.live = append(s.live, v)
		s.kept = append(s.kept, reflect.New(v.Type()).Elem())
	}
	return s
}

func (s *slot) save() {
	for i, v := range s.live {
		s.kept[i].Set(v)
	}
}

func (s *slot) restore() {
	for i, v := range s.live {
		v.Set(s.kept[i])
	}
}
