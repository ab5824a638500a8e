/**
 * Colours of maps, dark to light: viridis in 64 shades, perceptually even and fit for colour-blind
 * people (van der Walt and Smith 2015, released as CC0), as the maps drawn by the server have it.
 */

const HEXADECIMAL =
  "44015446075a470d6047136548186a481d6f482374482878472d7b46327e453781443b844240864045883e4989" +
  "3d4e8a3a538b38588c365c8d34608d32648e31688e2f6c8e2d708e2c738e2a778e297b8e277f8e26828e24868e" +
  "238a8d218e8d20928c1f968b1f9a8a1f9e891fa18721a58523a98326ad812ab07f2fb47c35b7793bbb7542be71" +
  "4ac16d52c5695ac86465cb5e6ece5877d15381d34d8bd64695d840a0da39aadc32b5de2bc0df25cae11fd5e21a" +
  "dfe318eae51af4e61efde725";

export const SHADES = HEXADECIMAL.length / 6;

/** Red, green, blue of a shade, 0 to 255. */
export function rgbOf(shade) {
  return [0, 2, 4].map((at) => Number.parseInt(HEXADECIMAL.slice(6 * shade + at, 6 * shade + at + 2), 16));
}

/** A colour as the 32 bits in which canvas pixels lie in memory (red lowest). */
export function pixelOf([red, green, blue], alpha = 255) {
  return ((alpha << 24) | (blue << 16) | (green << 8) | red) >>> 0;
}

export const PIXELS = Uint32Array.from({ length: SHADES }, (_, shade) => pixelOf(rgbOf(shade)));
