package main

import (
	"context"
	"fmt"
	"time"

	"go.uber.org/zap"

	"trivet/control/learn"
	"trivet/station"
)

// lessonKeeper is where lessons outlive the process; the store on disk and its stand-in in memory both do.
type lessonKeeper interface {
	Lessons(ctx context.Context, pairing string) ([]station.Lesson, error)
	SetLessons(ctx context.Context, pairing string, l []station.Lesson) error
}

// lessons brings what earlier boards have taught to the start of a run, and what a run has taught to where it is kept.
type lessons struct {
	kept lessonKeeper
	log  *zap.Logger
}

// pairingOf names what belongs together: a board type with its part on one machine. What the shop has measured of the board by calliper
// goes in too, because lessons are departures from that: with another description they would mean another board.
func pairingOf(u *station.Setup) string {
	b := &u.BoardInfo
	return fmt.Sprintf("%s|%s|%.4g×%.4g×%.3g m|%d layers|part %.3g×%.3g m", u.Name, u.Board, b.WidthM, b.HeightM, b.ThicknessM, b.Layers, b.PartWidthM, b.PartThicknessM)
}

// book reads the book of a pairing. A damaged one is reported and left aside: beginning without a lesson is safe.
func (l *lessons) book(ctx context.Context, pairing string) *learn.Book {
	list, err := l.kept.Lessons(ctx, pairing)
	if err == nil && len(list) > 0 {
		var b *learn.Book
		if b, err = learn.Decode(list[len(list)-1].Data); err == nil {
			return b
		}
	}
	if err != nil {
		l.log.Warn("what earlier boards taught cannot be read; the next run begins without it", zap.String("pairing", pairing), zap.Error(err))
	}
	return &learn.Book{}
}

// prepare fills in what an order may build on.
func (l *lessons) prepare(ctx context.Context, u *station.Setup, o *station.RunOrder) {
	b := l.book(ctx, pairingOf(u))
	if th, ok := b.Known(); ok {
		o.Lesson, o.Lessons = &th, len(b.Lessons)
	}
}

// taught offers a lesson to the book of its pairing and keeps the book. It returns what became of it, for the record of the run.
func (l *lessons) taught(ctx context.Context, u *station.Setup, run int64, got *learn.Lesson) (code, text string) {
	if !got.Joint {
		return "", "" // a repeat without a joint thermocouple is not meant to teach
	}
	pairing := pairingOf(u)
	b := l.book(ctx, pairing)
	a := b.Offer(*got)
	data, err := b.Encode()
	if err == nil {
		err = l.kept.SetLessons(ctx, pairing, []station.Lesson{{Pairing: pairing, Run: run, UTC: time.Now().UTC(), Data: data}})
	}
	switch {
	case err != nil:
		l.log.Error("what the run taught cannot be kept", zap.String("pairing", pairing), zap.Error(err))
		return "lesson:lost", "What this board taught could not be kept."
	case a.Taken && a.Why == "":
		return "lesson:taken", "Learned from: the next board of this type begins with it."
	case a.Taken:
		return "lesson:anew", a.Why
	}
	return "lesson:refused", a.Why
}
