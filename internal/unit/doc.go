// Package unit gives the figures of one dialysis unit: its tracks by stage, the time until they
// are ready, blunt needling, rescues, who needles, infections, and this year against last. It is
// pure. It reads no facts: it counts what the judgement of each track says.
//
// A track belongs to the unit where its patient is treated now, with all its sessions.
//
// Time to readiness runs from the first needle in a track to the first session after which the
// judgement calls it ready or further. Tracks on the way are not left out: Kaplan and Meier (J Am
// Stat Assoc 1958;53:457) count them for as long as they were watched. A track that was given up
// before it was ready is watched until its last session. A track that was taken over has no first
// needle on record and is left out, and counted apart.
//
// Shares have the exact limits of Clopper and Pearson (Biometrika 1934;26:404), ratios of two
// rates those that follow from it. Sessions of one track are alike, so limits that take each
// session as independent are somewhat too narrow. The page says so.
//
// A ratio "could be chance" if its exact 95 % limits include 1, else it is "hardly chance". It is
// "too few to say" if even the most uneven split of so few events between the two years would have
// limits that include 1 (ours).
package unit
