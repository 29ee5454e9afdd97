package display

import (
	"strings"

	"periph.io/x/devices/v3/ssd1306/image1bit"
)

// A character is five columns of seven pixels in a cell of six by eight, the lowest row and the last column empty.
const (
	cellWidth = 6
	columns   = width / cellWidth
	box       = "1F11111111111F" // for what there is no letter
)

// glyphs has, for each character, its seven rows from the top, two hexadecimal digits each: the lower five bits are the pixels, the
// leftmost the highest.
const glyphs = `
! 04040404040004
" 0A0A0A00000000
# 0A0A1F0A1F0A0A
% 18190204081303
& 0C12140815120D
' 04040800000000
( 02040808080402
) 08040202020408
* 000A041F040A00
+ 0004041F040400
, 00000000060408
- 0000000E000000
. 00000000000C0C
/ 00010204081000
0 0E11131519110E
1 040C040404040E
2 0E11010204081F
3 1F02040201110E
4 02060A121F0202
5 1F101E0101110E
6 0608101E11110E
7 1F010204080808
8 0E11110E11110E
9 0E11110F01020C
: 000C0C000C0C00
; 000C0C00060408
< 02040810080402
= 00001F001F0000
> 08040201020408
? 0E110102040004
@ 0E11171517100E
A 0E11111F111111
B 1E11111E11111E
C 0E11101010110E
D 1C12111111121C
E 1F10101E10101F
F 1F10101E101010
G 0E11101711110F
H 1111111F111111
I 0E04040404040E
J 0702020202120C
K 11121418141211
L 1010101010101F
M 111B1515111111
N 11191513111111
O 0E11111111110E
P 1E11111E101010
Q 0E11111115120D
R 1E11111E141211
S 0F10100E01011E
T 1F040404040404
U 1111111111110E
V 11111111110A04
W 11111115151B11
X 11110A040A1111
Y 1111110A040404
Z 1F01020408101F
[ 0E08080808080E
\ 00100804020100
] 0E02020202020E
_ 0000000000001F
a 00000E010F110F
b 10101619111E00
c 00000E1011110E
d 01010D1311110F
e 00000E111F100E
f 0609081C080808
g 000F11110F010E
h 10101619111111
i 04000C0404040E
j 0200060202120C
k 10101214181412
l 0C04040404040E
m 00001A15151111
n 00001619111111
o 00000E1111110E
p 00001E111E1010
q 00000D130F0101
r 00001619101010
s 00000E100E011E
t 08081C08080906
u 0000111111130D
v 00001111110A04
w 0000111115150A
x 0000110A040A11
y 000011110F010E
z 00001F0204081F
{ 02040408040402
| 04040404040404
} 08040402040408
~ 00000815020000
° 0C12120C000000
± 04041F0404001F
Ω 00000E11110A1B
· 00000004000000
– 0000001F000000
… 00000000001515
ä 0A000E010F110F
ö 0A000E1111110E
ü 0A00111111130D
ß 0C12121C12121C
é 02040E111F100E
`

// rowsOf returns the pixels of a character.
func rowsOf(r rune) (rows [7]byte) {
	hex := box
	if r == ' ' {
		return rows
	}
	if at := strings.Index(glyphs, "\n"+string(r)+" "); at >= 0 {
		at += len("\n"+string(r)) + 1
		hex = glyphs[at : at+14]
	}
	for i := range rows {
		rows[i] = digit(hex[2*i])<<4 | digit(hex[2*i+1])
	}
	return rows
}

// digit is the value of a hexadecimal digit, capital letters.
func digit(c byte) byte {
	if c >= 'A' {
		return c - 'A' + 10
	}
	return c - '0'
}

// render draws a text over all of a picture.
func render(text string, to *image1bit.VerticalLSB) {
	clear(to.Pix)
	for page, line := range wrap(text, to.Rect.Dy()/8) {
		x := 0
		for _, r := range line {
			rows := rowsOf(r)
			for col := range 5 {
				var bits byte // the page's column, the top pixel lowest
				for y, row := range rows {
					bits |= row >> (4 - col) & 1 << y
				}
				to.Pix[page*to.Stride+x+col] = bits
			}
			x += cellWidth
		}
	}
}

// wrap breaks a text into lines of at most 21 characters, not bytes: degrees and umlauts count as one. It
// breaks at spaces, and within words that are longer than a line. Lines beyond the last are cut.
func wrap(text string, lines int) []string {
	var out []string
	for _, paragraph := range strings.Split(text, "\n") {
		line := []rune(nil)
		for _, word := range strings.Fields(paragraph) {
			w := []rune(word)
			if len(line) > 0 && len(line)+1+len(w) <= columns {
				line = append(append(line, ' '), w...)
				continue
			}
			if len(line) > 0 {
				out = append(out, string(line))
			}
			for ; len(w) > columns; w = w[columns:] {
				out = append(out, string(w[:columns]))
			}
			line = w
		}
		out = append(out, string(line))
	}
	return out[:min(len(out), lines)]
}
