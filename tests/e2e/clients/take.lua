-- Records two takes with a made-up sound card in a new session in the folder SESSION, and calls the hook of SCRIPT whenever
-- the program would. A line on standard input begins each take but the first.
local hook
function ardour (about) print (about.type .. ": " .. about.name) end
dofile (os.getenv ("SCRIPT"))

AudioEngine:set_backend ("None (Dummy)", "", "")
Session = create_session (os.getenv ("SESSION"), "take", 48000)
local newest, normal = ARDOUR.PresentationInfo.max_order, ARDOUR.TrackMode.Normal
for track in Session:new_audio_track (1, 1, nil, 1, "guitar", newest, normal, true):iter () do
	track:rec_enable_control ():set_value (1, PBD.GroupControlDisposition.NoGroup)
end

hook = factory ()
local function until_it_is (recording)
	for _ = 1, 500 do
		if Session:actively_recording () == recording then return hook () end
		ARDOUR.LuaAPI.usleep (10000)
	end
	error ("the program does not record as it was told")
end

for take = 1, 2 do
	if take > 1 then io.read () end
	Session:maybe_enable_record (false)
	hook () -- armed, but nothing is recorded yet
	Session:request_roll (ARDOUR.TransportRequestSource.TRS_UI)
	until_it_is (true)
	print ("recording")
	ARDOUR.LuaAPI.usleep (300000)
	hook ()
	Session:request_stop (false, false, ARDOUR.TransportRequestSource.TRS_UI)
	until_it_is (false)
	print ("stopped")
end
quit ()
