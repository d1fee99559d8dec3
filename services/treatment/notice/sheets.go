package notice

import (
	"slices"
	"strings"

	"velamen/internal/page"
)

// sign draws the warning for an entrance. The picture of the prescribed sign is left out
// on purpose: what hangs there by law is the prescribed one.
func (d *drawing) sign() {
	for _, key := range []string{"sign.danger", "sign.pesticides"} {
		d.Centred(shout, d.words.both(key))
	}
	d.Down(3)
	var prescribed []string
	for _, language := range languages {
		prescribed = append(prescribed, d.words.in(language, "sign.prescribed"))
	}
	d.Box(framed, 44, prescribed...)
	d.Down(3)
	d.Centred(shout, d.words.both("sign.keep-out"))
	d.Down(2)
	d.Centred(large, d.words.both("house")+": "+nameOf(d.nursery, d.treatment))
	d.Down(2)
	for _, language := range languages {
		d.Centred(far.Body, d.area(language))
	}
	d.Down(2)
	d.row(far, []string{"from", "until"}, d.when(d.treatment.Entry.Start), d.ends())
	d.planned()
	if d.ends() == "" {
		d.say(strong, "until.told")
	} else if d.closed.Aired {
		d.say(strong, "until.aired")
	}
	d.say(value, "signs-down")
	d.whatIsMissingOfIt()
	d.Down(2)
	d.row(near, []string{"nursery", "application"}, d.nursery.DisplayName, d.application())
	d.Paragraph(page.Small, d.words.both("zone", "zone", d.zone().String()))
	d.tail()
}

// display draws what was applied.
func (d *drawing) display() {
	d.head()
	d.Paragraph(page.Small, d.words.both("display.use"))
	d.Down(2)
	d.fact("display.crop", strings.Join(d.treatment.Crops, ", "))
	d.fact("display.location", d.location())
	d.fact("area", d.areas())
	d.row(near, []string{"start", "end"}, d.when(d.treatment.Entry.Start), d.when(d.treatment.Entry.End))
	d.row(near, []string{"interval", "interval.end"}, d.length(), d.ends())
	if d.closed.Aired {
		d.say(strong, "until.aired")
	}
	d.say(value, "signs-down")
	d.whatIsMissingOfIt()
	d.noProducts()
	for _, product := range d.treatment.Products {
		d.product(product)
		d.rowOf(product.Name, near, []string{"registration", "actives", "sds"}, product.RegistrationNumber, d.actives(product), product.SafetyDataSheet)
		d.basis(product)
	}
	d.Down(2)
	d.say(value, "display.sheets")
	d.Down(2)
	d.emergency()
	d.row(near, []string{"display.by", "display.until"}, d.when(d.due.DisplayBy), d.when(d.due.DisplayUntil))
	d.tail()
}

// location is where it was applied: the house alone where no more is known, and then
// the description is missing.
func (d *drawing) location() string {
	lines := []string{nameOf(d.nursery, d.treatment)}
	for _, language := range languages {
		if where := d.where(language); where != "" && !slices.Contains(lines, where) {
			lines = append(lines, where)
		}
	}
	if len(lines) == 1 {
		d.lacks("", "display.location")
		lines = append(lines, d.words.both("missing"))
	}
	return strings.Join(lines, "\n")
}

func (d *drawing) emergency() {
	d.fact("phone", d.nursery.EmergencyPhone)
	d.fact("care", d.nursery.EmergencyCare)
}

// spoken draws what to say, and lines for who said it.
func (d *drawing) spoken() {
	d.head()
	d.Down(2)
	d.say(value, "spoken.when")
	for _, language := range languages {
		d.Down(5)
		d.Paragraph(aloud, d.script(language)+" "+d.words.in(language, "spoken.signs"))
	}
	d.Down(5)
	if d.when(d.treatment.Entry.Start) == "" {
		d.fact("from", "")
	}
	if d.ends() == "" {
		d.fact("until", "")
	}
	d.whatIsMissingOfIt()
	d.Down(3)
	for _, key := range []string{"spoken.by", "spoken.at", "spoken.whom", "spoken.whom", "spoken.whom"} {
		d.FillIn(label, d.words.both(key))
	}
	d.tail()
}

// script is what to say in a language. In English it is Words of the rules of entry.
func (d *drawing) script(language string) string {
	end := d.words.in(language, "until.unknown")
	if ends := d.ends(); ends != "" {
		key := "spoken.to"
		if d.closed.Aired {
			key = "spoken.to-aired"
		}
		end = d.words.in(language, key, "until", ends)
	}
	from := d.when(d.treatment.Entry.Start)
	if from == "" {
		from = d.words.in(language, "missing")
	}
	return d.words.in(language, "spoken.words",
		"house", nameOf(d.nursery, d.treatment), "area", d.area(language), "from", from, "end", end)
}

// supplies draws what people wash with, to tick off.
func (d *drawing) supplies() {
	d.head()
	d.Down(2)
	d.row(near, []string{"interval.end", "supplies.until"}, d.ends(), d.when(d.due.SuppliesUntil))
	d.stricter(d.interval.Missing)
	d.heading("supplies.workers")
	d.tick("supplies.water", "supplies.soap", "supplies.towels", "supplies.distance", "supplies.place")
	d.heading("supplies.handlers")
	d.tick("supplies.handler-water", "supplies.handler-soap", "supplies.clothing", "supplies.eye-flush", "supplies.eye-carried")
	d.Down(2)
	d.say(value, "supplies.memory")
	d.Down(2)
	d.FillIn(label, d.words.both("supplies.by"))
	d.tail()
}

func (d *drawing) tick(keys ...string) {
	for _, key := range keys {
		d.Down(1.5)
		var all []string
		for _, language := range languages {
			all = append(all, d.words.in(language, key))
		}
		d.Tick(value, all...)
	}
}

// physician draws what somebody must know who treats a person exposed.
func (d *drawing) physician() {
	d.head()
	d.say(strong, "physician.use")
	d.Down(2)
	d.emergency()
	d.row(near, []string{"start", "end"}, d.when(d.treatment.Entry.Start), d.when(d.treatment.Entry.End))
	d.noProducts()
	for _, product := range d.treatment.Products {
		d.product(product)
		d.rowOf(product.Name, near, []string{"registration", "contents", "sds"}, product.RegistrationNumber, d.contents(product), product.SafetyDataSheet)
		d.factOf(product.Name, "physician.first-aid", product.FirstAid)
		if strings.TrimSpace(product.FirstAid) == "" {
			d.say(alarm, "physician.read-label")
		}
		d.basis(product)
	}
	d.heading("physician.exposure")
	for _, key := range []string{"physician.who", "physician.when", "physician.how", "physician.signs", "physician.done", "physician.written"} {
		d.FillIn(label, d.words.both(key))
	}
	d.tail()
}
