// What is told of the board, as sentences, and the keys that say what was done for it.

import { say } from "./words.js";

const CAUSES = ["face", "rim", "suction", "together"];

function twoDigits(number) {
  return number === null ? undefined : number.toLocaleString(document.documentElement.lang, { minimumFractionDigits: 2, maximumFractionDigits: 2 });
}

function whole(number) {
  return number === undefined || number === null ? undefined : Math.round(number);
}

function leak(board) {
  const { leak_index, leak_index_newest, leak_index_error, leak_index_limit, skim_in_sheets: due } = board;
  if (leak_index === null) return [say("board-index-unknown")];
  const index = { index: twoDigits(leak_index), newest: twoDigits(leak_index_newest), error: twoDigits(leak_index_error), limit: twoDigits(leak_index_limit) };
  const [likely, soonest, latest] = (due ?? []).map(whole);
  return [say("board-index", index), due ? say("board-due", { likely, soonest, latest }) : say("board-due-unknown")];
}

function face(board) {
  const { cut_m, sheets_since_skim, scarred_share, worst_scar_m, worst_scar_at_m, sheets_uncharted, board_left_m, skims, care } = board;
  const [x, y] = (worst_scar_at_m ?? []).map((metres) => whole(metres * 1000));
  const worst = worst_scar_m === null ? undefined : twoDigits(worst_scar_m * 1000);
  const told = [say("board-cut", { cut: whole(cut_m), count: sheets_since_skim, scarred_share, worst, x, y })];
  if (sheets_uncharted > 0) told.push(say("board-uncharted", { count: sheets_uncharted }));
  told.push(say("board-left", { left: twoDigits(board_left_m * 1000), skims, skims_left: care?.skims_left }));
  return told;
}

function cause(name, { share, low, high, told }) {
  if (!told) return say("board-cause-untold", { cause: name });
  return say("board-cause", { cause: name, share_share: share, low_share: low, high_share: high });
}

function causes(board) {
  if (!board.causes) return [];
  const parts = CAUSES.map((key) => cause(say(`board-cause-${key}`), board.causes[key]));
  const beads = board.causes.beads.filter(([, part]) => part.told && part.low > 0).map(([name, part]) => cause(name, part));
  const seals = board.sealing.map(({ at, back_pa, back_low_pa, back_high_pa, margin_grows }) =>
    say("board-seal", { where: at, back_pa, low_pa: back_low_pa, high_pa: back_high_pa, margin_share: margin_grows - 1 }),
  );
  return [...parts, ...beads, ...seals];
}

function care(board) {
  if (!board.care) return [say("board-care-unknown")];
  const { now, to_care_sheets, to_board_sheets, waiting, per_sheet, order_in_days } = board.care;
  const span = ([soonest, latest]) => ({ soonest: whole(soonest), latest: whole(latest) });
  const told = [say(`board-care-${now}`, to_care_sheets ? span(to_care_sheets) : {})];
  told.push(say("board-waiting", { waiting: twoDigits(waiting), per_sheet: twoDigits(per_sheet) }));
  if (to_board_sheets) told.push(say("board-order", { ...span(to_board_sheets), days: whole(order_in_days) }));
  return told;
}

function pump(board) {
  const { pump_h, pump_since_filter_h, pump_since_service_h, filter_drop_pa, filter_limit_pa } = board;
  const told = [say("board-pump", { whole: whole(pump_h), filter: whole(pump_since_filter_h), service: whole(pump_since_service_h) })];
  if (filter_drop_pa !== null) told.push(say("board-filter", { drop_pa: filter_drop_pa, limit_pa: filter_limit_pa }));
  for (const { number, cut_m, diameter_m } of board.tools ?? []) {
    told.push(say("board-tool", { number, cut: whole(cut_m), diameter: diameter_m === null ? undefined : twoDigits(diameter_m * 1000) }));
  }
  const spent = { energy: twoDigits(board.energy_a_sheet), leak: twoDigits(board.leak_a_month), ...boardCost(board) };
  if (Object.values(spent).some((amount) => amount !== undefined)) told.push(say("board-money", spent));
  return told;
}

/** What the board has cost a sheet; by an assumed price it is said to be so. */
function boardCost(board) {
  const cost = twoDigits(board.board_a_sheet);
  const price = board.care?.figures.find(({ key }) => key === "prices.board");
  return price && !price.assumed ? { board: cost } : { assumed_board: cost };
}

/** The figures that the decision rests on, to be argued with. */
function figures(board) {
  if (!board.care) return [];
  const kept = document.createElement("details");
  const head = document.createElement("summary");
  head.textContent = say("board-figures");
  const list = document.createElement("ul");
  for (const { key, value, assumed } of board.care.figures) {
    const item = document.createElement("li");
    const number = Number(value.toPrecision(4));
    item.textContent = `${key} ${number}${assumed ? ` (${say("board-assumed")})` : ""}`;
    list.append(item);
  }
  kept.append(head, list);
  return [kept];
}

/** What is told of the board: a list of sentences, and what they rest on. */
export function told(board) {
  const list = document.createElement("ul");
  list.className = "of-board";
  for (const text of [...leak(board), ...face(board), ...causes(board), ...care(board), ...pump(board)]) {
    const item = document.createElement("li");
    item.textContent = text;
    list.append(item);
  }
  return [list, ...figures(board)];
}

export const DEEDS = ["skimmed", "sealed", "filter-changed", "board-changed", "pump-serviced"];
