package main

import (
	"context"
	"strings"
	"testing"

	"go.uber.org/zap"

	"trivet/control/learn"
	"trivet/station"
	"trivet/store"
)

// A lesson that was taught in one life of the process is there for the first start of the next, and only for its own pairing.
func TestWhatARunTaughtMeetsTheNextStart(t *testing.T) {
	ctx, dir := context.Background(), t.TempDir()
	u := &station.Setup{Name: "Bench", Board: "Router, 16 layers"}
	got := &learn.Lesson{RmsC: 0.5, LeftC: 0.3, Seconds: 400, Complete: true, Joint: true}
	got.Theta[2] = 1.25
	db, err := store.Open(ctx, dir)
	if err != nil {
		t.Fatal(err)
	}
	l := &lessons{kept: db, log: zap.NewNop()}
	if code, text := l.taught(ctx, u, 3, got); code != "lesson:taken" {
		t.Fatalf("%s: %s", code, text)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	if db, err = store.Open(ctx, dir); err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	l.kept = db
	o := &station.RunOrder{}
	l.prepare(ctx, u, o)
	if o.Lesson == nil || o.Lessons != 1 || o.Lesson[2] != 1.25 {
		t.Fatalf("the next order begins with %v of %d lessons", o.Lesson, o.Lessons)
	}
	other, o2 := *u, &station.RunOrder{}
	other.BoardInfo.Layers = 8
	if l.prepare(ctx, &other, o2); o2.Lesson != nil {
		t.Error("a board described in another way is taken for the same")
	}
}

func TestALessonIsRefusedWithAReasonAndABlindRunIsNotOffered(t *testing.T) {
	ctx := context.Background()
	l := &lessons{kept: store.NewMemory(), log: zap.NewNop()}
	u := &station.Setup{Name: "Bench"}
	if code, text := l.taught(ctx, u, 1, &learn.Lesson{Joint: true, Seconds: 400}); code != "lesson:refused" || !strings.Contains(text, "end") {
		t.Errorf("%s: %s", code, text)
	}
	if code, _ := l.taught(ctx, u, 1, &learn.Lesson{Complete: true, Seconds: 400}); code != "" {
		t.Errorf("a run without a joint thermocouple was offered as a lesson: %s", code)
	}
}

func TestADamagedBookIsReportedAndLeftAside(t *testing.T) {
	ctx, m := context.Background(), store.NewMemory()
	u := &station.Setup{Name: "Bench"}
	if err := m.SetLessons(ctx, pairingOf(u), []station.Lesson{{Pairing: pairingOf(u), Data: []byte("not a book")}}); err != nil {
		t.Fatal(err)
	}
	o := &station.RunOrder{}
	(&lessons{kept: m, log: zap.NewNop()}).prepare(ctx, u, o)
	if o.Lesson != nil {
		t.Error("a damaged book was used")
	}
}
