// SPDX-License-Identifier: GPL-3.0-or-later
// The page as people open it.

import { cryptoRandom } from "./draws.js";
import { start } from "./start.js";

start(cryptoRandom);
