/** Days and moments of exposures in words, as closely as they are known; the same as the server's. */

const UNIX_EPOCH_MJD = 40587; // 1970 January 1
const DAY_MS = 86_400_000;

function isoOf(mjd) {
  return new Date(Math.round((mjd - UNIX_EPOCH_MJD) * 1440) * 60_000).toISOString();
}

function dayOf(mjd) {
  return new Date(Math.floor(mjd - UNIX_EPOCH_MJD) * DAY_MS).toISOString().slice(0, 10);
}

/** Start of an exposure; '' where it is undated. */
export function startOf(row) {
  if (row.t_min === null || row.t_min === undefined) return "";
  const day = dayOf(row.t_min);
  if (row.time_precision === "year") return day.slice(0, 4);
  if (row.time_precision === "month") return day.slice(0, 7);
  if (row.time_precision === "night") {
    return row.t_max === null || row.t_max === undefined ? day : `${day} to ${dayOf(row.t_max).slice(5)}`;
  }
  return isoOf(row.t_min).slice(0, 16).replace("T", " ");
}

/** Whole calendar year of an epoch such as 1898.2. */
export function yearOf(epoch) {
  return Math.floor(epoch);
}
