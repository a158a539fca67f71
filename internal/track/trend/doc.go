// Package trend has the statistics of one track over time: the spread of needle angles, a
// patient's usual haemostasis time, the trend of venous pressure, limits of a proportion,
// and a cumulative sum of rare yes-or-no events. Every function is pure and deterministic. It
// neither keeps nor changes what it is given. It takes finite values only: its result for NaN or an
// infinity is undefined.
//
// Sources: Mardia & Jupp, Directional Statistics (2000) for angles; Rousseeuw & Croux,
// JASA 88:1273 (1993) for the deviation; Sen, JASA 63:1379 (1968) for the slope; Mann,
// Econometrica 13:245 (1945), Kendall, Rank Correlation Methods (1975) and Gilbert,
// Statistical Methods for Environmental Pollution Monitoring (1987) for the trend test;
// Clopper & Pearson, Biometrika 26:404 (1934) for limits; Reynolds & Stoumbos, Journal of
// Quality Technology 31:87 (1999) for the cumulative sum. All from memory.
package trend
