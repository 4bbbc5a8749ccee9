ardour {
	["type"] = "EditorHook",
	name = "Intonation check between takes",
	description = "When recording stops, asks the daemon for a quick check of the instrument; when recording starts, makes it ignore sound.",
}

-- For a recording program whose scripts are in Lua and have ARDOUR.LuaOSC: add it there as an action hook.
-- The instrument: "." is the one the daemon was started with; or a preset, or a file in the instruments folder of
-- oscservice. It is compared with its last sealed session.
local daemon, instrument = "osc.udp://127.0.0.1:9787", "."
-- A set of recordings to check as well, by its name; "" for none. See docs/bindings.md of oscservice.
local set = ""

function signals ()
	return LuaSignal.Set ():add ({ [LuaSignal.RecordStateChanged] = true, [LuaSignal.TransportStateChange] = true })
end

function factory ()
	local bench = ARDOUR.LuaOSC.Address (daemon)
	local recording = false
	return function ()
		local now = Session:actively_recording ()
		if now == recording then return end
		recording = now
		if recording then
			bench:send ("/bench/listen", "i", 0)
		else
			bench:send ("/bench/listen", "i", 1) -- an unfinished check goes on
			bench:send ("/bench/session/quick", "s", instrument) -- refused if there is one
			if set ~= "" then bench:send ("/bench/check/run", "s", set) end
		end
	end
end
