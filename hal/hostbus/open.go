package hostbus

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"regexp"
	"strconv"
	"syscall"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/spi"
	"periph.io/x/host/v3/sysfs"
)

// A bus is called as periph calls it or by its node. The numbers are given by the kernel: on most boards they are fixed by its description.
var (
	spiName = regexp.MustCompile(`^(?:SPI|/dev/spidev)([0-9]{1,5})\.([0-9]{1,3})$`)
	i2cName = regexp.MustCompile(`^(?:I2C|/dev/i2c-)([0-9]{1,5})$`)
)

// kind is a kind of bus, with what a person must know who misses one.
type kind struct {
	title, nodes, module, parameter, group, form string
}

// The parameters are those of Raspberry Pi OS's config.txt, as its documentation gives them (from memory); other boards have their own ways.
var (
	spiKind = kind{"SPI port", "/dev/spidev*", "spidev", "dtparam=spi=on", "spi", "SPI0.0 or /dev/spidev0.0 (bus and chip select)"}
	i2cKind = kind{"I²C bus", "/dev/i2c-*", "i2c-dev", "dtparam=i2c_arm=on", "i2c", "I2C1 or /dev/i2c-1"}
)

// OpenSPI opens "SPI0.0" or "/dev/spidev0.0".
func OpenSPI(name string) (spi.PortCloser, error) {
	m := spiName.FindStringSubmatch(name)
	if m == nil {
		return nil, spiKind.unknown(name)
	}
	bus, _ := strconv.Atoi(m[1]) // digits, as few as fit
	chip, _ := strconv.Atoi(m[2])
	if err := spiKind.check(name, fmt.Sprintf("/dev/spidev%d.%d", bus, chip)); err != nil {
		return nil, err
	}
	p, err := sysfs.NewSPI(bus, chip)
	if err != nil {
		return nil, fmt.Errorf("SPI port %s: %w", name, err)
	}
	return p, nil
}

// OpenI2C opens "I2C1" or "/dev/i2c-1".
func OpenI2C(name string) (i2c.BusCloser, error) {
	m := i2cName.FindStringSubmatch(name)
	if m == nil {
		return nil, i2cKind.unknown(name)
	}
	bus, _ := strconv.Atoi(m[1])
	if err := i2cKind.check(name, fmt.Sprintf("/dev/i2c-%d", bus)); err != nil {
		return nil, err
	}
	b, err := sysfs.NewI2C(bus)
	if err != nil {
		return nil, fmt.Errorf("I²C bus %s: %w", name, err)
	}
	return b, nil
}

func (k kind) unknown(name string) error {
	return fmt.Errorf("%s %q: allowed are names such as %s", k.title, name, k.form)
}

// check finds out, before periph gives a short answer, why a bus cannot be opened.
func (k kind) check(name, node string) error {
	// periph learns there how long a transfer may be. A driver among those that failed is no reason to refuse: it registers its buses
	// before it looks at their properties, and they work all the same.
	if _, err := Init(); err != nil {
		return err
	}
	return k.reach(name, node)
}

// reach opens the node for a moment and puts a refusal into words.
func (k kind) reach(name, node string) error {
	f, err := os.OpenFile(node, os.O_RDWR, 0)
	switch {
	case err == nil:
		return f.Close()
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s %s: there is no %s (there are: %s): switch the bus on in the board's description (%s in config.txt on a Raspberry Pi, an overlay elsewhere) and load the kernel module %s",
			k.title, name, node, orNone(k.present()), k.parameter, k.module)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%s %s: %s may not be opened by this user: %s", k.title, name, node, k.whose(node))
	case errors.Is(err, syscall.EBUSY):
		return fmt.Errorf("%s %s: %s is in use by another program", k.title, name, node)
	case errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.ENODEV):
		return fmt.Errorf("%s %s: %s is there, but its device has gone", k.title, name, node)
	}
	return fmt.Errorf("%s %s: %w", k.title, name, err)
}

func (k kind) present() []string {
	all, err := filepath.Glob(k.nodes)
	if err != nil { // the pattern is ours
		return nil
	}
	return all
}

// whose says what lets a user open a node.
func (k kind) whose(node string) string {
	st, err := os.Stat(node)
	if err != nil {
		return err.Error()
	}
	sys, ok := st.Sys().(*syscall.Stat_t)
	if !ok {
		return "ask for access"
	}
	group := strconv.FormatUint(uint64(sys.Gid), 10)
	if g, err := user.LookupGroupId(group); err == nil {
		group = g.Name
	}
	if group == "root" || st.Mode().Perm()&0o060 != 0o060 {
		return fmt.Sprintf("it belongs to group %s with mode %v; a udev rule must give it to a group such as %s, with mode 0660", group, st.Mode().Perm(), k.group)
	}
	return fmt.Sprintf("it belongs to group %s; add the user to that group and start again", group)
}
