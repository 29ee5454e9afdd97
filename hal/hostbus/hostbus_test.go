package hostbus

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"periph.io/x/conn/v3/driver/driverreg"
)

// driver is one of periph's, as far as a report needs it.
type driver string

func (d driver) String() string        { return string(d) }
func (driver) Prerequisites() []string { return nil }
func (driver) After() []string         { return nil }
func (driver) Init() (bool, error)     { return true, nil }
func failure(d, why string) driverreg.DriverFailure {
	return driverreg.DriverFailure{D: driver(d), Err: errors.New(why)}
}

func TestADriverThatFailedIsReportedAlthoughInitIsContent(t *testing.T) {
	r := reportOf(&driverreg.State{
		Skipped: []driverreg.DriverFailure{failure("pine64", "not this board")},
		Failed:  []driverreg.DriverFailure{failure("sysfs-spi", "no bufsiz"), failure("rpi", "failed to obtain revision")},
	})
	r.Loaded = []string{"sysfs-i2c"}
	if got, want := r.Trouble(), []string{"the bus driver sysfs-spi failed: no bufsiz"}; !slices.Equal(got, want) {
		t.Errorf("trouble is %q; want %q: only buses count", got, want)
	}
	if got, want := r.String(), "in use: sysfs-i2c; failed: rpi (failed to obtain revision), sysfs-spi (no bufsiz); not for this computer: 1"; got != want {
		t.Errorf("the report says\n%s; want\n%s", got, want)
	}
	if why, ok := r.Why("pine64"); !ok || why != "not this board" {
		t.Errorf("pine64 is not in use because %q", why)
	}
	if _, ok := r.Why("sysfs-i2c"); ok {
		t.Error("a driver in use has a reason why not")
	}
}

func TestInitOnThisComputer(t *testing.T) {
	r, err := Init()
	if err != nil {
		t.Fatal(err)
	}
	again, err := Init()
	if err != nil || again.String() != r.String() {
		t.Errorf("the second time the report is %q, %v; the first time %q", again, err, r)
	}
	t.Log(r)
}

func TestABusThatIsMissingSaysWhatToSwitchOn(t *testing.T) {
	_, err := OpenSPI("SPI9.7")
	for _, w := range []string{"SPI9.7", "/dev/spidev9.7", "dtparam=spi=on", "module spidev"} {
		if err == nil || !strings.Contains(err.Error(), w) {
			t.Errorf("%v lacks %q", err, w)
		}
	}
	_, err = OpenI2C("/dev/i2c-99")
	for _, w := range []string{"/dev/i2c-99", "dtparam=i2c_arm=on", "module i2c-dev"} {
		if err == nil || !strings.Contains(err.Error(), w) {
			t.Errorf("%v lacks %q", err, w)
		}
	}
}

func TestANameThatIsNoneSaysWhatIsAllowed(t *testing.T) {
	for _, n := range []string{"", "SPI0", "SPI0.0.0", "spi0.0", "/dev/spidev0", "/dev/spidev0.0x", "/dev/../dev/spidev0.0", "SPI0.1000"} {
		if _, err := OpenSPI(n); err == nil || !strings.Contains(err.Error(), "SPI0.0 or /dev/spidev0.0") {
			t.Errorf("SPI %q: %v", n, err)
		}
	}
	for _, n := range []string{"", "I2C", "I2C1.0", "i2c-1", "/dev/i2c-", "-1"} {
		if _, err := OpenI2C(n); err == nil || !strings.Contains(err.Error(), "I2C1 or /dev/i2c-1") {
			t.Errorf("I²C %q: %v", n, err)
		}
	}
}

func TestARefusalNamesTheGroup(t *testing.T) {
	node := filepath.Join(t.TempDir(), "spidev0.0")
	if err := os.WriteFile(node, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if got := spiKind.whose(node); !strings.Contains(got, "udev rule") || !strings.Contains(got, "group such as spi") {
		t.Errorf("a node of nobody else: %q", got)
	}
	if err := spiKind.reach("SPI0.0", node); err != nil { // tests may run as a user who may do everything
		t.Errorf("a node that can be opened: %v", err)
	}
	if os.Geteuid() != 0 {
		return
	}
	if err := os.Chown(node, 0, 20); err != nil {
		t.Skip(err)
	}
	if err := os.Chmod(node, 0o660); err != nil {
		t.Fatal(err)
	}
	if got := spiKind.whose(node); !strings.Contains(got, "add the user to that group") {
		t.Errorf("a node of a group: %q", got)
	}
}
