// Package stock knows what grows where: houses, benches, lots, and every plant
// that came, moved or left. Plants are conserved: for every lot, what was
// started, received and moved in is on hand, disposed of, sold or moved out. The
// database checks that at every commit.
//
// Other services read lots and places through ReadLots, ReadBench and ReadHouse,
// and change them through the commands in command.go, which travel through the
// outbox.
package stock
