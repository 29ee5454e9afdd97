package chip

import (
	"strconv"

	"periph.io/x/conn/v3/gpio"
)

// numbered is the wire of line i of a chip.
func numbered(chip string, i int) *Pin { return NewPin(chip + "/" + strconv.Itoa(i)).Numbered(i) }

// release stops driving a wire, which then goes where it is pulled. One that was not driven stays where the world put it.
func release(p *Pin, pull gpio.Pull) {
	_ = p.In(pull, gpio.NoEdge) // cannot fail
}

// answer is what a chip behind a bus says under a fault of the whole chip; done means that this is all it says.
func (f Fault) answer(r []byte) (done bool, err error) {
	fill(r, 0)
	switch f {
	case Dead:
		return true, errDead
	case AllZeros:
		return true, nil
	case AllOnes:
		fill(r, 0xFF)
		return true, nil
	}
	return false, nil
}
